"""The true law of an invented job's minutes, from which the job itself is drawn as well.

Given what can be known beforehand (rates, drivers, job type, person, what a machine or a learner is like by then), the
job's shared difficulty, its stages' disruptions, the noise and whatever is hidden are drawn.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincinv

from tests.analytics.engine.invented_truth import Truth

Floats = NDArray[np.float64]
Drivers = Mapping[str, float | Floats]


YES_NO = ("curved",)
"""Drivers that are 1 or 0."""

TYPICAL_MIN = 20.0
"""Where a size slope changes nothing."""


@dataclass(frozen=True)
class Rate:
    """One true addend of a stage's minutes: fixed + rate × driver × times."""

    fixed: float
    rate: float
    driver: str | None = None
    times: str | None = None

    def minutes(self, drivers: Drivers) -> float | Floats:
        """Minutes of this addend."""
        amount = 0.0 if self.driver is None else drivers[self.driver]
        return self.fixed + self.rate * amount * (1.0 if self.times is None else drivers[self.times])


@dataclass(frozen=True, eq=False)
class PartLaw:
    """What the minutes of one part of one stage hang on.

    levels: log factor by person, shape (people,). person: whose it is, None where that is not known.
    slope: the power by which minutes grow faster than the formula, less 1. elasticities: by driver.
    noise: spread. share: of the job's difficulty.
    """

    kind: str
    part: str
    rates: tuple[Rate, ...]
    levels: Floats
    person: int | None
    slope: float
    elasticities: Mapping[str, float]
    shape: str
    noise: float
    share: float

    def of_anybody(self) -> PartLaw:
        """The same law where it is not known who does it."""
        return replace(self, person=None)

    def median(self, drivers: Drivers, person: int | NDArray[np.int_]) -> Floats:
        """Minutes without noise, difficulty and disruption."""
        base = np.asarray(sum(rate.minutes(drivers) for rate in self.rates), float)
        logs = self.levels[person] + self.slope * np.log(base / TYPICAL_MIN)
        for driver, elasticity in self.elasticities.items():
            amount = drivers[driver]
            logs = logs + elasticity * (amount if driver in YES_NO else np.log(amount))
        return np.asarray(base * np.exp(logs))


@dataclass(frozen=True, eq=False)
class JobLaw:
    """The joint law of a job's parts. drivers: those that are known; mix draws the others."""

    truth: Truth
    parts: tuple[PartLaw, ...]
    drivers: Mapping[str, float]

    def draw(self, rng: np.random.Generator, draws: int) -> Floats:
        """Minutes of each part, shape (draws, parts)."""
        drivers = drawn_drivers(self.drivers, self.truth, rng, draws)
        difficulty = self.truth.difficulty * rng.standard_normal(draws)
        people = self.parts[0].levels.size
        whose = {p.kind: rng.integers(people, size=draws) for p in self.parts}
        trouble = {kind: disruption(self.truth, rng, draws) for kind in whose}
        drawn = np.empty((draws, len(self.parts)))
        for i, p in enumerate(self.parts):
            person = whose[p.kind] if p.person is None else p.person
            noise = noise_of(p.shape, p.noise, rng, draws)
            drawn[:, i] = p.median(drivers, person) * np.exp(p.share * difficulty) * noise * trouble[p.kind]
        return drawn


def disruption(truth: Truth, rng: np.random.Generator, draws: int) -> Floats:
    """What disruptions multiply minutes by, shape (draws,)."""
    return np.where(rng.random(draws) < truth.disrupted, rng.uniform(*truth.disruption, draws), 1.0)


def noise_of(shape: str, spread: float, rng: np.random.Generator, draws: int) -> Floats:
    """Factors with median 1 and a standard deviation of about `spread` in log units, shape (draws,)."""
    if shape == "gamma":
        k = 1.0 / spread**2
        return rng.gamma(k, size=draws) / float(gammaincinv(k, 0.5))
    if shape == "weibull":
        k = np.pi / (np.sqrt(6.0) * spread)
        return rng.weibull(k, draws) / float(np.log(2.0) ** (1.0 / k))
    return np.exp(spread * rng.standard_normal(draws))


def drawn_drivers(known: Mapping[str, float], truth: Truth, rng: np.random.Generator, draws: int) -> Drivers:
    """All drivers of a job; those that are not known are drawn, given its area: floats, or of shape (draws,)."""
    area = known["area_m2"]
    drawn: dict[str, float | Floats] = {
        "cut_m": area * np.exp(1.6 + 0.4 * rng.standard_normal(draws)),
        "panels": float(1 + int(area / 2)),
        "layers": rng.integers(1, 3, draws).astype(float),
    }
    if truth.elasticity:
        drawn["height_m"] = rng.uniform(0.5, 6.0, draws)
        drawn["colours"] = rng.integers(1, 7, draws).astype(float)
        drawn["curved"] = (rng.random(draws) < 0.3).astype(float)
    return {**drawn, **known}


def first(drivers: Drivers) -> dict[str, float]:
    """One job's drivers: the first draw of each."""
    return {name: float(np.atleast_1d(np.asarray(value))[0]) for name, value in drivers.items()}
