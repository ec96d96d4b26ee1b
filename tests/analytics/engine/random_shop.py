"""Random shops with everything in them, for holding the compiled loop to the plain one."""

from datetime import UTC, datetime, time

import numpy as np

from analytics.engine.hours import ALWAYS, Calendar, minus, weekly
from analytics.engine.network import (
    ABSENT,
    Edge,
    EdgeKind,
    Need,
    Operation,
    Running,
    SimShop,
    Unit,
    build_network,
    mask,
    rank_by_operation,
    with_slots,
    without_job,
)


def at(day, hour, minute=0):
    """Minutes after Monday 00:00."""
    return day * 1440.0 + hour * 60 + minute


def daily(opens, closes, days):
    return Calendar.of([at(d, opens) for d in days], [at(d, closes) for d in days])


WEEKDAYS = [d for d in range(200) if d % 7 < 5]
OFFICE, AFTERNOON = daily(9, 17, WEEKDAYS), daily(13, 18, WEEKDAYS)
MONDAY = datetime(2026, 10, 19, tzinfo=UTC)  # the clocks go back on Sunday, at night
NIGHTS = weekly(MONDAY, "Europe/Berlin", {d: [(time(22), time(4))] for d in range(7)}, 200)
BERLIN = weekly(MONDAY, "Europe/Berlin", {d: [(time(9), time(17))] for d in range(7)}, 200)


def random_shop(rng):
    """Four machines, of which some get hot, and four people, of whom one is away at times."""
    absent = minus(OFFICE, [(at(1, 10), at(1, 15)), (at(8, 0), at(10, 0))])
    calendars = (ALWAYS, OFFICE, AFTERNOON, absent, BERLIN, NIGHTS)
    units = []
    for k in range(4):
        hours, alone = int(rng.integers(0, 2)), int(rng.choice([-1, 0, 5]))
        cool, hot = rng.choice([0.0, 90.0]), rng.choice([0.0, 700.0])
        loaded, watched = int(rng.integers(-1, 3)), bool(rng.random() < 0.3)
        units.append(Unit(f"machine {k}", hours, loaded, alone, float(cool), float(hot), watched))
    units += [Unit(f"person {k}", int(rng.integers(1, 5))) for k in range(4)]
    return SimShop(tuple(units), calendars, roll_change_minutes=8.0)


def random_needs(rng):
    """A hold, and five needs of a machine, of up to two people, or of both."""
    needs = [Need("outgas")]
    for k in range(5):
        count = int(rng.integers(0, 3))
        size = int(rng.integers(max(count, 1), 5))
        able = mask((4 + rng.choice(4, size, replace=False)).tolist())
        either = mask(rng.choice(4, int(rng.integers(1, 4)), replace=False).tolist())
        machines = None if count and rng.random() < 0.4 else either
        relief = ((4, 1), (6, 4)) if count == 1 and rng.random() < 0.5 else ()
        needs.append(Need(f"need {k}", machines, able, count, relief))
    return needs


def random_windows(rng):
    opens = np.sort(rng.uniform(-500, 20_000, int(rng.integers(1, 5))))
    return tuple((float(t), float(t + rng.uniform(30, 600))) for t in opens)


def random_jobs(rng, first_job, count, own=True):
    """Operations, edges among them, and the number of columns they name."""
    operations, edges, column = [], [], 0
    for job in range(first_job, first_job + count):
        first = len(operations)
        for stage in range(int(rng.integers(1, 7))):
            parts = [column if rng.random() < 0.8 else -1, column + 1 if rng.random() < 0.5 else -1]
            column += 2
            facts = {"heats": bool(rng.random() < 0.4), "cold": bool(rng.random() < 0.3)}
            if own:
                facts["release"] = float(rng.choice([0.0, rng.uniform(0, 4000)]))
                facts["windows"] = random_windows(rng) if rng.random() < 0.2 else ()
                facts["pinned"] = float(rng.uniform(0, 6000)) if rng.random() < 0.1 else None
            need, roll = int(rng.integers(0, 6)), int(rng.integers(-1, 3))
            operations.append(Operation(job, stage, need, *parts, roll, **facts))
            for before in range(first, first + stage):
                if rng.random() < 0.6:
                    lag = float(rng.choice([0.0, rng.uniform(0, 300)]))
                    edges.append(Edge(before, first + stage, EdgeKind(int(rng.integers(0, 2))), lag))
    return operations, edges, column


def with_running(operations, rng):
    """Some first stages have begun: one holds a machine and two people, one a person, one nothing."""
    firsts = [i for i, o in enumerate(operations) if o.stage == 0]
    held = [Running(int(rng.integers(0, 4)), (4, 6)), Running(people=(5,)), Running()]
    for i, running in zip(firsts[: int(rng.integers(0, 4))], held, strict=False):
        operations[i] = Operation(**{**vars(operations[i]), "running": running})
    return operations


def random_case(rng, runs=3):
    """The shop, its network, ranked at random, and minutes with arrivals of work that may come in."""
    shop, needs = random_shop(rng), random_needs(rng)
    jobs, samples = int(rng.integers(2, 9)), int(rng.integers(0, 3))
    operations, edges, columns = random_jobs(rng, 0, jobs)
    operations = with_running(operations, rng)
    more, more_edges, more_columns = random_jobs(rng, jobs, samples, own=False)
    own = len(operations)
    for o in more:
        moved = [c + columns if c >= 0 else -1 for c in (o.attended, o.unattended)]
        operations.append(Operation(**{**vars(o), "attended": moved[0], "unattended": moved[1]}))
    edges += [Edge(e.before + own, e.after + own, e.kind, e.lag) for e in more_edges]
    network = build_network(shop, needs, operations, edges, jobs=jobs)
    slots = int(rng.integers(1, 12)) if samples else 0
    picked, copies = rng.integers(0, max(samples, 1), slots), rng.integers(0, 2, slots)
    drawn = columns + 2 * more_columns
    network = with_slots(network, picked, copies, more_columns, drawn)
    key = rng.permutation(jobs + slots)[network.job]
    network = rank_by_operation(network, key)
    if rng.random() < 0.3:
        network = without_job(network, int(rng.integers(0, jobs)))
    minutes = rng.lognormal(4.0, 0.9, (runs, drawn)) * (rng.random((runs, drawn)) < 0.95)
    arrivals = np.sort(rng.uniform(0, 8000, (runs, slots)), axis=1)
    arrivals[rng.random((runs, slots)) < 0.5] = ABSENT
    return shop, network, np.hstack([minutes, arrivals])
