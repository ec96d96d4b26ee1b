"""How fast futures are simulated, as ratios on the same machine at the same moment.

Run with `pytest -m benchmark -s`. CPU time of one thread, interleaved, the least of several rounds.
"""

import time

import numpy as np
import pytest
from scipy.stats import norm
from simpy_peer import simulate_with_simpy

from analytics.engine.hours import ALWAYS, Calendar, minus
from analytics.engine.network import (
    ATTENDED_TO_START,
    Edge,
    Need,
    Operation,
    SimShop,
    Unit,
    build_network,
    mask,
    rank_by_job,
)
from analytics.engine.sampling import Columns, draw
from analytics.engine.simulate import simulate, warm_up

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


def invented_backlog():
    """The shop, the network of 200 jobs with seven stages each, and the laws of their minutes."""
    shop, needs = invented_shop()
    rng = np.random.default_rng(1)
    operations, edges, medians, job, kind = [], [], [], [], []
    for j in range(JOBS):
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
    network = rank_by_job(build_network(shop, needs, operations, edges), rng.uniform(1, 28, JOBS))
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
