"""Invented print shops with more promised than they can keep: what an order of work is measured on."""

from datetime import UTC, datetime, time
from itertools import pairwise
from statistics import NormalDist

import numpy as np

from analytics.engine.book import BookedJob, draws, look
from analytics.engine.forecast import PROBS
from analytics.engine.network import FINISH_TO_START
from analytics.engine.plan import MachineSpec, MinutesSpec, PersonSpec, ShopSpec, StageSpec
from analytics.engine.work import OpenWork

MONDAY = datetime(2027, 3, 1, 8, 0, tzinfo=UTC)
SET_UP, PRINT, OUTGAS, LAMINATE, CUT, WEED, PACK = range(1, 8)
Z = np.array([NormalDist().inv_cdf(p) for p in PROBS.tolist()])
LATE_SHARE = 1 / 3
"""Of the jobs, in the order of their dates."""

STAGES = {  # kind: name, machine, median minutes from and to, sigma, share of a machine's run by itself
    SET_UP: ("Set-up", "", 10, 40, 0.35, 0.0),
    PRINT: ("Print", "printer", 20, 150, 0.3, 0.8),
    LAMINATE: ("Laminate", "laminator", 10, 40, 0.3, 0.0),
    CUT: ("Cut", "cutter", 15, 90, 0.35, 0.5),
    WEED: ("Weed", "bench", 15, 120, 0.5, 0.0),
    PACK: ("Pack", "bench", 10, 30, 0.3, 0.0),
}


def instance(seed: int, jobs: int = 50) -> tuple[OpenWork, np.ndarray]:
    """A shop's open work with tight dates, and each job's weight, 1 to 5, shape (jobs,)."""
    rng = np.random.default_rng(seed)
    stages, arrows = [], []
    for j in range(jobs):
        more, ways = route(rng, j, len(stages) + 1)
        stages += more
        arrows += ways
    undated = tuple(BookedJob(j + 1, f"Job {j + 1}") for j in range(jobs))
    work = OpenWork(MONDAY, a_shop(rng), undated, tuple(stages), tuple(arrows), -1, 400)
    return dated(work, rng), rng.integers(1, 6, jobs)


def a_shop(rng: np.random.Generator) -> ShopSpec:
    """Two or three people, one of whom cannot print; a printer, a cutter, a laminator and two benches; 8 to 17."""
    people = int(rng.integers(2, 4))
    every = frozenset(STAGES)
    hands = [PersonSpec(p, f"Person {p}", every - {PRINT} if p == 1 else every) for p in range(1, people + 1)]
    kinds = (("printer", "always"), ("cutter", "open_hours"), ("laminator", "no"))
    machines = [MachineSpec(k, kind, frozenset({kind}), alone=alone) for k, (kind, alone) in enumerate(kinds)]
    machines.append(MachineSpec(9, "benches", frozenset({"bench"}), capacity=2))
    hours = {day: [(time(8), time(17))] for day in range(5)}
    return ShopSpec(MONDAY, "UTC", hours, frozenset(), tuple(hands), tuple(machines))


def route(rng: np.random.Generator, job: int, key: int) -> tuple[list[StageSpec], list[tuple]]:
    """A job's stages one after the other: some are not laminated, four in ten must lie a day between."""
    kinds = [SET_UP, PRINT, OUTGAS, LAMINATE, CUT, WEED, PACK]
    if rng.random() < 0.6:
        kinds.remove(OUTGAS)
    if rng.random() < 0.4:
        kinds.remove(LAMINATE)
    size = rng.lognormal(0.0, 0.4)
    stages = [stage(rng, job, kind, key + n, size) for n, kind in enumerate(kinds)]
    keys = range(key, key + len(kinds))
    return stages, [(a, b, FINISH_TO_START, 0.0) for a, b in pairwise(keys)]


def stage(rng: np.random.Generator, job: int, kind: int, key: int, size: float) -> StageSpec:
    """One stage, its minutes log-normal, a tenth of the variance common to all stages of its kind."""
    if kind == OUTGAS:
        return StageSpec(
            key, job, kind, "Outgas", people=0, unattended=MinutesSpec(np.full(PROBS.size, 1440.0))
        )
    name, machine, low, high, sigma, alone = STAGES[kind]
    median = size * float(np.exp(rng.uniform(np.log(low), np.log(high))))
    law = np.exp(np.log(median) + sigma * Z)
    return StageSpec(
        key,
        job,
        kind,
        f"{name} of job {job + 1}",
        machine_kind=machine,
        skill=kind,
        skill_name=name,
        hands_on=MinutesSpec((1 - alone) * law, shared=0.1),
        unattended=MinutesSpec(alone * law, shared=0.1) if alone else None,
    )


def dated(work: OpenWork, rng: np.random.Generator) -> OpenWork:
    """The work with dates at 17:00 so tight that a third of the jobs are late in the order of their dates."""
    count = len(work.jobs)
    share, loose, tight = rng.uniform(0.1, 1.0, count), 3.0, 0.0
    minutes = draws(work.book(), runs=48, seed=7)
    whole = float(look(work.book(), minutes).finish.max(axis=1).mean())
    for _ in range(12):
        middle = (loose + tight) / 2
        found = with_dates(work, share * middle * whole)
        due = np.array([job.due for job in found.jobs])
        if np.mean(look(found.book(), minutes).finish > due) > LATE_SHARE:
            tight = middle
        else:
            loose = middle
    return with_dates(work, share * loose * whole)


def with_dates(work: OpenWork, minutes: np.ndarray) -> OpenWork:
    """The work with each job due at 17:00 on the working day of so many minutes after the origin, 08:00."""
    days = np.floor(np.maximum(minutes, 0.0) / 1440).astype(int)
    days += np.array([0, 0, 0, 0, 0, 2, 1])[days % 7]
    jobs = [
        BookedJob(job.number, job.name, float(day * 1440 + 540))
        for job, day in zip(work.jobs, days, strict=True)
    ]
    return OpenWork(work.origin, work.spec, tuple(jobs), work.stages, work.arrows, -1, work.days)
