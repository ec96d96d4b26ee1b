"""Invented shops whose true duration laws are known, to hold the duration model against the truth.

A shop has its own rates for each component of the trade formulas, job types that are harder than others, one to
three people, difficulty that all stages of a job share, and disruptions; `Truth` says what else. What its clock makes
of that is in `invented_records`.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analytics.engine.trade import TRADE, Component
from tests.analytics.engine.invented_law import JobLaw, PartLaw, Rate, drawn_drivers, first
from tests.analytics.engine.invented_truth import CALM, Truth

Floats = NDArray[np.float64]

KINDS = ("artwork", "print", "cut", "weed", "mask", "clean", "install")
OWN_KINDS = ("sew the hem", "bend the frame", "glue the edge")
TYPES = ("door panels", "window graphics", "stickers", "banner", "fleet van", "floor graphics")
EXTRA = ("height_m", "colours", "curved")
"""Drivers outside every formula, where minutes have an elasticity to them."""

CHANGING = ("print", "cut")
"""Stage kinds whose machine may change."""

KNOWN_AT_LEAST = ("area_m2", "pieces")
WEEK = 7 * 1440.0
NEVER = 10**9


@dataclass(frozen=True)
class TrueStage:
    """One part of one stage: what is known before it is done, and what it took."""

    kind: str
    part: str
    drivers: Mapping[str, float]
    categories: Mapping[str, str]
    minutes: float
    alone: JobLaw

    def law(self, rng: np.random.Generator, draws: int = 1000) -> Floats:
        """Draws from the true law of its minutes, shape (draws,)."""
        return self.alone.draw(rng, draws)[:, 0]


@dataclass(frozen=True)
class InventedJob:
    """A finished job. number: from 0. at: when it was finished, minutes since the origin.

    law: joint, of `stages`. by: whose each stage kind was, by number.
    """

    number: int
    job_type: str
    at: float
    stages: tuple[TrueStage, ...]
    law: JobLaw
    by: Mapping[str, int]


@dataclass
class InventedShop:
    """Draws finished jobs, one after the other, from a truth that the seed fixes.

    Each aspect has random numbers of its own, so that switching one off leaves the others as they were.
    """

    seed: int
    truth: Truth = CALM
    finished: int = field(default=0, init=False)
    at: float = field(default=0.0, init=False)
    done: Counter[tuple[int, str]] = field(default_factory=Counter, init=False)

    def __post_init__(self) -> None:
        truth = self.truth
        few, many = truth.people
        self.people = ("Ada", "Ben", "Cleo")[: int(self.stream("people").integers(few, many + 1))]
        self.learners = range(len(self.people))[max(len(self.people) - truth.learners, 0) :]
        self.kinds = (*KINDS, *OWN_KINDS[: truth.own_kinds])
        self.rates = {kind: self._rates(kind) for kind in self.kinds}
        self.type_effect = self._effects("types", truth.types, len(TYPES))
        self.person_effect = self._effects("persons", truth.persons, len(self.people))
        self.slope = self._effects("slope", truth.size_slope, 1)
        self.elasticity = self._effects("elasticity", truth.elasticity, len(EXTRA))
        self.noise, self.shape = self._noise()
        self._jobs()
        self.changed, self.changed_at, self.changed_by = self._change()

    def stream(self, *what: str | int) -> np.random.Generator:
        """Random numbers for one aspect of this shop, apart from those of all others."""
        numbers = [int.from_bytes(w.encode(), "big") if isinstance(w, str) else w for w in what]
        return np.random.default_rng((self.seed, *numbers))

    def job(self) -> InventedJob:
        """The next finished job."""
        job = self.fresh(self.stream("job", self.finished))
        self.at, self.finished = job.at, self.finished + 1
        self.done.update((person, kind) for kind, person in job.by.items())
        return job

    def fresh(self, rng: np.random.Generator) -> InventedJob:
        """A job as the next one might be: nobody learns from it and it does not count as finished."""
        at = self.at + float(rng.exponential(WEEK / self.a_week))
        which = int(rng.choice(len(TYPES), p=self.mix))
        drivers = self._drivers(which, rng)
        by = {kind: int(rng.integers(len(self.people))) for kind in self.routes[TYPES[which]]}
        parts = tuple(p for kind in by for p in self._parts(kind, which, by[kind]))
        minutes = JobLaw(self.truth, parts, drivers).draw(rng, 1)[0]
        if self.truth.only_area_and_pieces:
            drivers = {name: drivers[name] for name in KNOWN_AT_LEAST}
            parts = tuple(p.of_anybody() for p in parts)
        law = JobLaw(self.truth, parts, drivers)
        stages = tuple(self._stage(law, i, TYPES[which], float(m)) for i, m in enumerate(minutes))
        return InventedJob(self.finished, TYPES[which], at, stages, law, by)

    def _stage(self, law: JobLaw, i: int, job_type: str, minutes: float) -> TrueStage:
        part = law.parts[i]
        person = {} if part.person is None else {"person": self.people[part.person]}
        alone = JobLaw(self.truth, (part,), law.drivers)
        return TrueStage(part.kind, part.part, law.drivers, {"job_type": job_type, **person}, minutes, alone)

    def _drivers(self, which: int, rng: np.random.Generator) -> dict[str, float]:
        """All drivers of one job."""
        z, other = rng.standard_normal(2)
        rho = self.truth.together
        known = {
            "area_m2": math.exp(self.size[which] + 0.6 * z),
            "pieces": 1.0 + math.floor(math.exp(1.4 + 0.7 * (rho * z + math.sqrt(1.0 - rho**2) * other))),
        }
        return first(drawn_drivers(known, self.truth, rng, 1))

    def _parts(self, kind: str, which: int, person: int) -> list[PartLaw]:
        """The laws of a stage's parts, as the shop is now."""
        levels = self.type_effect[kind][which] + self.person_effect[kind] + self._still_learning(kind)
        if kind == self.changed and self.finished >= self.changed_at:
            levels = levels + self.changed_by
        return [
            PartLaw(
                kind=kind,
                part=part,
                rates=rates,
                levels=levels,
                person=person,
                slope=float(self.slope[kind][0]),
                elasticities=dict(zip(EXTRA, self.elasticity[kind], strict=True))
                if self.truth.elasticity
                else {},
                shape=self.shape[kind],
                noise=self.noise[kind] * (self.truth.machine_noise if part == "unattended" else 1.0),
                share=self.truth.machine_noise if part == "unattended" else 1.0,
            )
            for part, rates in self.rates[kind].items()
        ]

    def _still_learning(self, kind: str) -> Floats:
        """How much longer each person takes for not having done it often yet, in log units, shape (people,).

        The n-th stage takes n^b of the first one's minutes, 2^b = `learning`, until the `learned`-th (the unit
        curve of Crawford, An Estimating, Budgeting, Production Control, Forecasting and Cost Control Manual, 1944).
        """
        b = math.log2(self.truth.learning)
        longer = np.zeros(len(self.people))
        for person in self.learners:
            nth = min(self.done[person, kind] + 1, self.truth.learned)
            longer[person] = b * math.log(nth / self.truth.learned)
        return longer

    def _effects(self, aspect: str, spread: float, n: int) -> dict[str, Floats]:
        """Normal effects by stage kind, each of shape (n,)."""
        return {kind: spread * self.stream(aspect, kind).standard_normal(n) for kind in self.kinds}

    def _rates(self, kind: str) -> dict[str, tuple[Rate, ...]]:
        """The shop's own components of a stage kind, by part."""
        rng, rates = self.stream("rates", kind), {}
        for part in ("hands_on", "unattended"):
            components = [c for c in TRADE[kind].components if c.part == part] if kind in TRADE else []
            if kind not in TRADE and part == "hands_on":
                driver = str(rng.choice(KNOWN_AT_LEAST))
                components = [
                    Component("begin", rng.uniform(3, 20)),
                    Component("do", rate=rng.uniform(1, 8), driver=driver),
                ]
            own = np.exp(self.truth.own_rates * rng.standard_normal(len(components)))
            if components:
                rates[part] = tuple(
                    Rate(c.fixed_min * k, c.rate * k, c.driver, c.times)
                    for c, k in zip(components, own, strict=True)
                )
        return rates

    def _noise(self) -> tuple[dict[str, float], dict[str, str]]:
        """The spread and the shape of each stage kind's noise."""
        spread = {kind: float(self.stream("noise", kind).uniform(*self.truth.noise)) for kind in self.kinds}
        if self.truth.shape != "mixed":
            return spread, dict.fromkeys(self.kinds, self.truth.shape)
        shapes = ("log-normal", "gamma", "weibull")
        return spread, {kind: shapes[int(self.stream("shape", kind).integers(3))] for kind in self.kinds}

    def _jobs(self) -> None:
        """How large, how frequent and through which stages each job type is."""
        rng = self.stream("jobs")
        self.size = rng.uniform(-0.5, 1.5, len(TYPES))
        self.mix = rng.dirichlet(np.full(len(TYPES), 3.0))
        self.a_week = math.exp(rng.uniform(*np.log(self.truth.jobs_a_week)))
        out = {t: self.stream("routes", t).random(len(self.kinds)) < self.truth.left_out for t in TYPES}
        self.routes = {
            t: tuple(k for k, without in zip(self.kinds, out[t], strict=True) if not without) or (KINDS[0],)
            for t in TYPES
        }

    def _change(self) -> tuple[str, int, float]:
        """Which kind's machine changes, from which job on, and by what in log units."""
        if self.truth.change is None:
            return "", NEVER, 0.0
        rng = self.stream("change")
        first_job, last_job = self.truth.change
        at = int(rng.integers(first_job, last_job + 1))
        return (
            str(rng.choice(CHANGING)),
            at,
            float(rng.uniform(*self.truth.change_by) * rng.choice((-1.0, 1.0))),
        )
