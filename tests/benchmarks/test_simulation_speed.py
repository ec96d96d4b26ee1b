"""How fast futures are simulated, as ratios on the same machine at the same moment.

Run with `pytest -m benchmark -s`. CPU time of one thread, interleaved, the least of several rounds.
"""

import time
from datetime import UTC, datetime
from datetime import time as clock

import numpy as np
import pytest
from scipy.stats import norm
from simpy_peer import simulate_with_simpy

from analytics.engine.book import BookedJob, run
from analytics.engine.forecast import PROBS
from analytics.engine.futures import Layout
from analytics.engine.hours import ALWAYS, Calendar, minus
from analytics.engine.network import (
    ATTENDED_TO_START,
    Edge,
    EdgeKind,
    Need,
    Operation,
    SimShop,
    Unit,
    build_network,
    mask,
    rank_by_job,
)
from analytics.engine.placing import placed
from analytics.engine.plan import MachineSpec, MinutesSpec, PersonSpec, ShopSpec, StageSpec
from analytics.engine.sampling import BLOCK, Columns, draw
from analytics.engine.simulate import Simulator, simulate, warm_up
from analytics.engine.work import Later, LaterJob, OpenWork

pytestmark = pytest.mark.benchmark

JOBS, RUNS, PEER_RUNS, ROUNDS = 200, 2000, 4, 5
SETUP, PRINT, OUTGAS, LAMINATE, CUT, WEED, INSTALL = range(7)
MEDIANS = [(20, 0), (6, 45), (0, 1440), (18, 0), (5, 25), (25, 0), (45, 0)]  # attended, unattended
SCORES = np.linspace(-3.3, 3.3, 67)


def office():
    weekdays = np.array([d for d in range(700) if d % 7 < 5]) * 1440.0
    return Calendar.of(weekdays + 540, weekdays + 1050)


def invented_shop():
    """Two printers, a cutter, a laminator, two benches and four people, one of whom is away for a week."""
    hours = office()
    machines = ["printer", "printer", "cutter", "laminator", "bench", "bench"]
    units = [Unit(name, 0, loaded_roll=0 if name == "printer" else -1) for name in machines]
    units += [Unit("junior", 1), Unit("finisher", 1), Unit("fitter", 2), Unit("lead", 1)]
    shop = SimShop(
        tuple(units), (ALWAYS, hours, minus(hours, [(15 * 1440, 20 * 1440)])), roll_change_minutes=8.0
    )
    junior, finisher, fitter, lead = (1 << u for u in range(6, 10))
    needs = [
        Need("set up", None, fitter | lead, 1),
        Need("print", mask([0, 1]), junior | finisher | lead, 1),
        Need("outgas"),
        Need("laminate", mask([3]), finisher | lead, 1),
        Need("cut", mask([2]), junior | finisher | lead, 1),
        Need("weed", mask([4, 5]), junior | finisher | fitter | lead, 1),
        Need("install", None, finisher | fitter | lead, 2),
    ]
    return shop, needs


def invented_backlog(jobs=JOBS):
    """The shop, the network of so many jobs with seven stages each, and the laws of their minutes."""
    shop, needs = invented_shop()
    rng = np.random.default_rng(1)
    operations, edges, medians, job, kind = [], [], [], [], []
    for j in range(jobs):
        size, roll, overlap = np.exp(rng.normal(0, 0.5)), int(rng.integers(0, 4)), rng.random() < 0.3
        for stage, parts in enumerate(MEDIANS):
            columns = [-1, -1]
            for part, median in enumerate(parts):
                if median:
                    columns[part] = len(medians)
                    medians.append(median * (1.0 if stage == OUTGAS else size))
                    job.append(j)
                    kind.append(2 * stage + part)
            operations.append(Operation(j, stage, stage, *columns, roll if stage == PRINT else -1))
            if stage:
                beside = stage == LAMINATE + 1 and overlap
                edges.append(
                    Edge(len(operations) - 2, len(operations) - 1, ATTENDED_TO_START if beside else 0)
                )
    network = rank_by_job(build_network(shop, needs, operations, edges), rng.uniform(1, 28, jobs))
    spread = np.where(np.array(kind) == 2 * OUTGAS + 1, 0.0, 0.4)
    quantiles = np.array(medians)[:, None] * np.exp(spread[:, None] * SCORES)
    return shop, network, Columns(quantiles, norm.cdf(SCORES), np.array(job), np.array(kind), 0.2, 0.05)


def cpu(function, *arguments):
    began = time.thread_time()
    function(*arguments)
    return time.thread_time() - began


def normals(shape):
    np.random.Generator(np.random.Philox(1)).standard_normal(shape)


def test_futures_per_second_against_simpy_and_against_drawing_the_numbers():
    warm_up()
    shop, network, columns = invented_backlog()
    keys = list(range(JOBS))
    minutes = draw(columns, keys, RUNS, seed=1)
    few = minutes[:PEER_RUNS]
    ours = simulate(shop, network, few).finish
    np.testing.assert_allclose(simulate_with_simpy(shop, network, few), ours, rtol=0, atol=1e-6)
    rounds = [
        (
            cpu(simulate, shop, network, minutes) / RUNS,
            cpu(simulate_with_simpy, shop, network, few) / PEER_RUNS,
            cpu(normals, minutes.shape) / RUNS,
            cpu(draw, columns, keys, RUNS, 1) / RUNS,
        )
        for _ in range(ROUNDS)
    ]
    simulated, peer, random_numbers, drawn = np.min(rounds, axis=0)
    print(f"\n{JOBS} jobs × {network.size // JOBS} stages, {RUNS} futures, one thread")
    print(f"  SimPy / simulate                 {peer / simulated:8.0f}")
    print(f"  simulate / normals of that shape {simulated / random_numbers:8.1f}")
    print(f"  draw / normals of that shape     {drawn / random_numbers:8.1f}")
    print(f"  nanoseconds per stage and future {simulated / network.size * 1e9:8.0f}")
    assert peer / simulated >= 100


SIZES = (10, 50, 200, 1000)


def test_time_grows_with_the_backlog_and_no_faster():
    warm_up()
    each = {}
    for jobs in SIZES:
        shop, network, columns = invented_backlog(jobs)
        runs = max(40, 40_000 // jobs)
        minutes = draw(columns, list(range(jobs)), runs, seed=1)
        simulator = Simulator(shop, network)
        simulated = min(cpu(simulator.run, minutes) for _ in range(ROUNDS))
        drawn = min(cpu(draw, columns, list(range(jobs)), runs, 1) for _ in range(ROUNDS))
        each[jobs] = simulated / runs / network.size * 1e9, drawn / runs / network.size * 1e9
    print("\nnanoseconds per stage and future: simulated, drawn")
    for jobs, (simulated, drawn) in each.items():
        print(f"  {jobs:5d} jobs {simulated:8.0f} {drawn:8.0f}")
    times = [simulated for simulated, _ in each.values()]
    assert max(times) / min(times) < 2


def invented_book(jobs):
    """The open work of a small shop with six stages a job, the last one asked about, and work that may come in."""
    law = {m: MinutesSpec(m * np.exp(0.4 * norm.ppf(PROBS)), shared=0.05) for m in (20, 6, 45, 18, 5, 25)}
    lying = MinutesSpec(np.full(PROBS.size, 1440.0))
    stages, arrows = [], []
    kinds = [("", 20, 0), ("printer", 6, 45), ("", 0, -1), ("cutter", 5, 25), ("", 25, 0), ("", 45, 0)]
    for j in range(jobs + 1):
        for k, (machine, hands_on, alone) in enumerate(kinds):
            unattended = lying if alone < 0 else law.get(alone)
            people, key = int(alone >= 0), len(kinds) * j + k
            parts = {"hands_on": law.get(hands_on), "unattended": unattended}
            stages.append(StageSpec(key, j, k, f"{k}", machine, people=people, **parts))
            if k:
                arrows.append((key - 1, key, EdgeKind.FINISH_TO_START, 0.0))
    booked = [BookedJob(j, f"{j}", due=None if j == jobs else 1440.0 * (1 + j % 28)) for j in range(jobs + 1)]
    origin = datetime(2026, 3, 2, 8, tzinfo=UTC)
    machines = [
        MachineSpec(1, "printer", frozenset({"printer"}), alone="always", capacity=2),
        MachineSpec(2, "cutter", frozenset({"cutter"}), alone="open_hours"),
    ]
    spec = ShopSpec(
        origin,
        "UTC",
        {day: [(clock(9), clock(17))] for day in range(5)},
        frozenset(),
        tuple(PersonSpec(k, f"{k}") for k in range(4)),
        tuple(machines),
    )
    sample = LaterJob(tuple(stages[: len(kinds)]), tuple(arrows[: len(kinds) - 1]), 10_000.0)
    later = Later((sample,) * 20, gap=120.0, until=60 * 1440.0, spread=0.2)
    return OpenWork(origin, spec, tuple(booked), tuple(stages), tuple(arrows), jobs, later=later).book()


def test_where_a_quote_s_time_goes():
    """Printed, to be read: the parts of a date, in milliseconds of one thread, and how exact it is."""
    for jobs in (50, 200):
        book = invented_book(jobs)
        run(book, runs=BLOCK, seed=1)
        layout = Layout(placed(book, 0.8, seed=1), 1)
        simulator, minutes = layout.simulator(), layout.draw(0, BLOCK)
        parts = {
            "lay out": lambda book=book: (Layout(book, 1).simulator(), Layout(book, 1).sampler),
            "place among coming work": lambda book=book: placed(book, 0.8, seed=1),
            f"draw {BLOCK} futures": lambda layout=layout: layout.draw(0, BLOCK),
            f"simulate {BLOCK} futures": lambda s=simulator, m=minutes, j=jobs: s.run(m, target=j),
            "2000 futures, all in all": lambda book=book: run(book, runs=2000, seed=1),
        }
        print(f"\n{jobs} open jobs, with work that may come in")
        for name, part in parts.items():
            print(f"  {name:26s} {1000 * min(cpu(part) for _ in range(3)):8.1f} ms")
        error = {runs: run(book, runs=runs, seed=1).error for runs in (2000, 6000)}
        for runs, minutes in error.items():
            print(f"  80 % date after {runs} futures known to ±{minutes:.0f} min")
        assert error[6000] < error[2000]
        assert cpu(parts["place among coming work"]) < cpu(parts["2000 futures, all in all"])
