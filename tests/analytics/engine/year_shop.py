"""Invented shops for a simulated year: who works there, what comes in, and what each stage truly takes.

A shop's own rates differ from the trade formulas; job types are harder than others, all stages of a job share a
difficulty, and one part in twenty meets with trouble. What comes in keeps the busiest hands or machine at the share
`busy` of their time.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, time

import numpy as np

from analytics.engine.hours import Calendar, weekly
from analytics.engine.network import EdgeKind
from analytics.engine.plan import Alone, MachineSpec, PersonSpec, ShopSpec
from analytics.engine.trade import PARTS, defaults_for

ORIGIN = datetime(2027, 1, 3, 23, tzinfo=UTC)
"""Midnight before a Monday in Berlin; the year holds both changes of the clock."""
DAYS = 500
HOLD = 1440.0
"""Minutes that a solvent print lies: at least 24 h before it is cut or laminated (film maker's tip 40, arlon.com)."""
TROUBLE = 0.05

ARTWORK, PRINTING, FINISHING, FITTING = range(4)


@dataclass(frozen=True)
class Kind:
    """A kind of stage: its trade key, and who and what it needs."""

    key: str
    skill: int | None = None
    machine: str = ""
    people: int = 1


KINDS = (
    Kind("artwork", ARTWORK),
    Kind("print", PRINTING, "printer"),
    Kind("outgas", people=0),
    Kind("laminate", FINISHING, "laminator"),
    Kind("cut", FINISHING, "cutter"),
    Kind("weed", FINISHING),
    Kind("mask", FINISHING),
    Kind("template", FITTING),
    Kind("install", FITTING),
    Kind("install", FITTING, people=2),
)
# By job type: its kinds in order, and whether a template is measured beside the print.
ROUTES = (
    ((0, 1, 2, 4, 5, 6, 8), True),
    ((0, 1, 3, 4, 5), False),
    ((0, 4, 5, 6), False),
    ((0, 1, 2, 3, 4, 8), False),
)
BOTH = (((0, 1, 2, 3, 4, 5, 9), True), ((0, 1, 4, 5, 6), False), ((0, 4, 5), False))


@dataclass(frozen=True, eq=False)
class YearStage:
    """One stage: its true minutes by part, and what must be before it: index among its job's stages, from when."""

    kind: int
    minutes: dict[str, float]
    before: tuple[tuple[int, EdgeKind], ...]


@dataclass(frozen=True, eq=False)
class YearJob:
    """A job as it comes in, at `at` minutes since the origin."""

    number: int
    kind: int
    at: float
    drivers: dict[str, float]
    stages: tuple[YearStage, ...]


@dataclass(frozen=True, eq=False)
class YearShop:
    """A shop. calendar: its opening hours. gap: mean working minutes between two jobs that come in."""

    seed: int
    spec: ShopSpec
    calendar: Calendar
    rates: dict[tuple[int, str], float]
    hardness: np.ndarray
    routes: tuple[tuple[tuple[int, ...], bool], ...]
    gap: float

    def jobs(self, days: int) -> Iterator[YearJob]:
        """What comes in within so many days, by a Poisson process on the opening hours."""
        rng = np.random.default_rng([self.seed, 2])
        clock, number = 0.0, 1
        while True:
            clock += rng.exponential(self.gap)
            at = float(self.calendar.finish(0.0, clock))
            if at > days * 1440.0:
                return
            yield self.job(number, at, rng)
            number += 1

    def job(self, number: int, at: float, rng: np.random.Generator) -> YearJob:
        """One job, drawn."""
        kind = int(rng.integers(len(self.routes)))
        area = float(np.exp(rng.normal(1.2, 0.7)))
        drivers = {
            "area_m2": area,
            "cut_m": area * 8.0 * float(np.exp(rng.normal(0.0, 0.4))),
            "pieces": float(rng.integers(1, 20)),
            "panels": float(rng.integers(1, 5)),
            "layers": float(rng.integers(1, 4)),
        }
        common = self.hardness[kind] + rng.normal(0.0, 0.2)
        line, beside = self.routes[kind]
        stages = [
            YearStage(
                k, self._minutes(k, drivers, common, rng), ((i - 1, EdgeKind.FINISH_TO_START),) if i else ()
            )
            for i, k in enumerate(line)
        ]
        if beside:
            print_at, last = line.index(1), len(line) - 1
            stages.append(
                YearStage(
                    7, self._minutes(7, drivers, common, rng), ((print_at, EdgeKind.ATTENDED_TO_START),)
                )
            )
            end = stages[last]
            stages[last] = YearStage(
                end.kind, end.minutes, (*end.before, (len(stages) - 1, EdgeKind.FINISH_TO_START))
            )
        return YearJob(number, kind, at, drivers, tuple(stages))

    def _minutes(
        self, kind: int, drivers: dict[str, float], common: float, rng: np.random.Generator
    ) -> dict[str, float]:
        key = KINDS[kind].key
        if key == "outgas":
            return {"unattended": HOLD}
        found = {}
        for part in PARTS:
            default = defaults_for(key, part)
            if default.usual:
                own = self.rates[kind, part] + common + rng.normal(0.0, 0.35)
                trouble = 1.0 + rng.exponential(1.0) if rng.random() < TROUBLE else 1.0
                found[part] = default.minutes(drivers) * float(np.exp(own)) * trouble
        return found


def a_shop(seed: int, busy: float) -> YearShop:
    """A shop of one to four people. busy: the share of its time that the busiest has work, 0..1."""
    rng = np.random.default_rng([seed, 1])
    spec = _spec(rng)
    calendar = weekly(ORIGIN, spec.zone, spec.hours, DAYS)
    rates = {(k, part): float(rng.normal(0.0, 0.35)) for k in range(len(KINDS)) for part in PARTS}
    routes = BOTH if len(spec.people) > 2 else ROUTES
    shop = YearShop(seed, spec, calendar, rates, rng.normal(0.0, 0.2, len(routes)), routes, 1.0)
    sample = [shop.job(n, 0.0, rng) for n in range(400)]
    return YearShop(seed, spec, calendar, rates, shop.hardness, routes, _load(spec, sample) / busy)


def _spec(rng: np.random.Generator) -> ShopSpec:
    people = int(rng.integers(1, 5))
    everything = frozenset(range(4))
    crew = [PersonSpec(1, "Ash", everything)]
    some = [
        frozenset({PRINTING, FINISHING}),
        frozenset({FINISHING, FITTING}),
        frozenset({FITTING, FINISHING}),
    ]
    crew += [PersonSpec(n, f"Person {n}", some[(n - 2) % 3]) for n in range(2, people + 1)]
    alone: Alone = "always" if rng.random() < 0.5 else "open_hours"
    machines = (
        MachineSpec(1, "Printer", frozenset({"printer"}), alone=alone),
        MachineSpec(2, "Cutter", frozenset({"cutter"}), alone="open_hours"),
        MachineSpec(3, "Laminator", frozenset({"laminator"})),
    )
    hours = {day: [(time(8), time(12)), (time(12, 30), time(17))] for day in range(5)}
    return ShopSpec(ORIGIN, "Europe/Berlin", hours, frozenset(), tuple(crew), machines)


def _load(spec: ShopSpec, sample: list[YearJob]) -> float:
    """Mean minutes of a job on whoever or whatever has most to do: skills shared out evenly are not less than that."""
    hands, by_machine = 0.0, dict.fromkeys(("printer", "cutter", "laminator"), 0.0)
    by_skill = dict.fromkeys(range(4), 0.0)
    for job in sample:
        for stage in job.stages:
            kind = KINDS[stage.kind]
            if kind.key == "outgas":
                continue
            attended = stage.minutes["hands_on"]
            hands += attended * kind.people
            if kind.skill is not None:
                by_skill[kind.skill] += attended * kind.people
            if kind.machine:
                by_machine[kind.machine] += attended + stage.minutes.get("unattended", 0.0)
    able = {skill: sum(skill in p.skills for p in spec.people) for skill in by_skill}
    loads = [hands / len(spec.people), *by_machine.values()]
    loads += [by_skill[skill] / able[skill] for skill in by_skill]
    return max(loads) / len(sample)
