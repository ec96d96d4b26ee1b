"""Invented shops whose true duration laws are known, to hold the duration model against the truth.

A shop has its own rates for each component of the trade formulas, job types that are harder than others, one to
three people, difficulty that all stages of a job share, disruptions and rounding to whole minutes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analytics.engine.trade import TRADE, defaults_for

KINDS = ("artwork", "print", "cut", "weed", "mask", "clean", "install")
TYPES = ("door panels", "window graphics", "stickers", "banner", "fleet van", "floor graphics")
DISRUPTED = 0.06


@dataclass(frozen=True)
class TrueStage:
    """One part of one stage: what is known before it is done, its true law, and what it took.

    log_median, spread: of log minutes without a disruption; the job's share of the spread is in it.
    """

    kind: str
    part: str
    drivers: Mapping[str, float]
    categories: Mapping[str, str]
    log_median: float
    spread: float
    minutes: float

    def law(self, rng: np.random.Generator, draws: int = 1000) -> NDArray[np.float64]:
        """Draws from the true law, shape (draws,)."""
        logs = self.log_median + self.spread * rng.standard_normal(draws)
        return np.exp(logs) * disruption(rng, draws)


def disruption(rng: np.random.Generator, draws: int) -> NDArray[np.float64]:
    """What disruptions multiply minutes by, shape (draws,)."""
    return np.where(rng.random(draws) < DISRUPTED, rng.uniform(1.5, 3.5, draws), 1.0)


@dataclass
class InventedShop:
    """Draws finished jobs, one after the other, from a truth that the seed fixes."""

    seed: int
    own_rates_sd: float = 0.5
    rng: np.random.Generator = field(init=False)

    def __post_init__(self) -> None:
        self.rng = rng = np.random.default_rng(self.seed)
        self.people = ["Ada", "Ben", "Cleo"][: int(rng.integers(1, 4))]
        self.rates = {
            (kind, c.name): float(np.exp(self.own_rates_sd * rng.standard_normal()))
            for kind in KINDS
            for c in TRADE[kind].components
        }
        self.type_effect = {(t, k): 0.25 * rng.standard_normal() for t in TYPES for k in KINDS}
        self.person_effect = {(p, k): 0.15 * rng.standard_normal() for p in self.people for k in KINDS}
        self.noise = {k: float(rng.uniform(0.2, 0.5)) for k in KINDS}
        self.size = {t: float(rng.uniform(-0.5, 1.5)) for t in TYPES}

    def job(self) -> list[TrueStage]:
        """The next finished job's stages."""
        rng = self.rng
        job_type = TYPES[int(rng.integers(len(TYPES)))]
        area = float(np.exp(self.size[job_type] + 0.6 * rng.standard_normal()))
        drivers = {
            "area_m2": area,
            "cut_m": area * float(np.exp(1.6 + 0.4 * rng.standard_normal())),
            "pieces": float(rng.integers(1, 12)),
            "panels": float(1 + int(area / 2)),
            "layers": float(rng.integers(1, 3)),
        }
        difficulty = 0.15 * rng.standard_normal()
        return [s for kind in KINDS for s in self._stages(kind, job_type, drivers, difficulty)]

    def _stages(
        self, kind: str, job_type: str, drivers: Mapping[str, float], difficulty: float
    ) -> list[TrueStage]:
        rng = self.rng
        person = self.people[int(rng.integers(len(self.people)))]
        stages = []
        for part in ("hands_on", "unattended"):
            components = defaults_for(kind, part).components
            if not components:
                continue
            base = sum(self.rates[kind, c.name] * c.minutes(drivers) for c in components)
            log_median = (
                float(np.log(base)) + self.type_effect[job_type, kind] + self.person_effect[person, kind]
            )
            noise = self.noise[kind]
            logs = log_median + difficulty + noise * rng.standard_normal()
            minutes = max(1.0, float(np.round(np.exp(logs) * disruption(rng, 1)[0])))
            stages.append(
                TrueStage(
                    kind,
                    part,
                    drivers,
                    {"job_type": job_type, "person": person},
                    log_median,
                    float(np.hypot(noise, 0.15)),
                    minutes,
                )
            )
        return stages
