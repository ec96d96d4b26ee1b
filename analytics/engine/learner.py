"""What a shop's finished jobs teach, job after job, and the forecast of the next one from it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analytics.engine import calibration
from analytics.engine.durations import (
    Forecast,
    Observation,
    State,
    entry_of,
    pooled_state,
    predict,
    shop_pits,
    update_pooled,
    with_entry,
)
from analytics.engine.posterior import Prior
from analytics.engine.totals import Correlations, total, with_job
from analytics.engine.trade import PARTS, Part

Floats = NDArray[np.float64]

CLIP = 0.001
"""How near to 0 and 1 a PIT may come before it makes a normal score."""


@dataclass(frozen=True)
class StageRecord:
    """A finished stage. hands_on, unattended: minutes. started_at, finished_at: minutes since the origin.

    kind_key: the trade's key of the stage kind, or the shop's own. used: whether the record is fit to learn from
    and to score; if not, why. row: the caller's own number for it.
    """

    stage: str
    kind_key: str
    hands_on: float
    unattended: float = 0.0
    drivers: Mapping[str, float] = field(default_factory=dict)
    categories: Mapping[str, str] = field(default_factory=dict)
    started_at: float = 0.0
    finished_at: float = 0.0
    used: bool = True
    why: str = ""
    row: int = 0

    def minutes(self, part: Part) -> float:
        """Minutes of one part."""
        return self.hands_on if part == "hands_on" else self.unattended

    @property
    def actual(self) -> float:
        """Hands-on and machine minutes together."""
        return self.hands_on + self.unattended


@dataclass(frozen=True)
class JobRecord:
    """A finished job. finished_at: when its last stage finished, minutes since the origin. row: as of a stage."""

    key: str
    job_type: str
    finished_at: float
    stages: Sequence[StageRecord]
    row: int = 0

    @property
    def used(self) -> bool:
        """Whether every stage's record is fit to learn from, so that their sum is."""
        return all(stage.used for stage in self.stages)

    @property
    def actual(self) -> float:
        """The minutes of all its stages."""
        return sum(stage.actual for stage in self.stages)


@dataclass(frozen=True)
class Pits:
    """Where a job's minutes fell in its forecasts, 0..1: by stage column, and of its total (None: not fit).

    sound: the chance that all of it was clocked rightly.
    """

    columns: Mapping[str, float]
    whole: float | None
    sound: float = 1.0


@dataclass
class Learner:
    """Everything that a shop's finished jobs have taught, for forecasts of its next one.

    priors: what other shops' posteriors say of a kind's part, by (kind, part); it is not kept by `to_dict`.
    A walk through the past has none, because what others say today was not known then.
    """

    states: dict[tuple[str, Part], State] = field(default_factory=dict)
    pooled: dict[Part, State] = field(default_factory=lambda: {part: pooled_state(part) for part in PARTS})
    pits: Floats = field(default_factory=calibration.empty)
    correlations: Correlations = field(default_factory=Correlations)
    job_pits: Floats = field(default_factory=calibration.empty)
    priors: Mapping[tuple[str, Part], Prior] = field(default_factory=dict)

    def state(self, kind: str, part: Part) -> State:
        """What is known of one part of a stage kind."""
        return self.states.get((kind, part)) or State.empty(kind, part)

    def parts(self, stage: StageRecord) -> dict[Part, Forecast]:
        """The forecast of each part of a stage that may take any time."""
        made = {
            part: predict(
                self.state(stage.kind_key, part),
                stage.drivers,
                stage.categories,
                calibration=self.pits,
                pooled=self.pooled[part],
                prior=self.priors.get((stage.kind_key, part)),
            )
            for part in PARTS
        }
        return {part: forecast for part, forecast in made.items() if forecast.minutes[-1] > 0.0}

    def learn(self, job: JobRecord, forecasts: Sequence[Mapping[Part, Forecast]], whole: Forecast) -> None:
        """Take in a finished job, and how far its forecasts were off. Records that are not used teach nothing."""
        pits = pits_of(job, forecasts, whole)
        self.learn_together(replace(pits, sound=self.learn_stages(job.stages)))

    def learn_together(self, pits: Pits) -> None:
        """Take in how a finished job's stages ran long or short together, and how its total did."""
        self.correlations = with_job(self.correlations, pits.columns)
        if pits.whole is not None:
            self.job_pits = calibration.counted(self.job_pits, pits.whole, pits.sound)

    def learn_stages(self, stages: Sequence[StageRecord]) -> float:
        """Take in finished stages, none of which is told of by the others; the chance that all were clocked rightly."""
        pooled, sound = dict(self.pooled), 1.0
        for stage in stages:
            if stage.used:
                for part in PARTS:
                    sound *= self._learn_part(stage, part, pooled)
        self.pooled = pooled
        return sound

    def _learn_part(self, stage: StageRecord, part: Part, pooled: dict[Part, State]) -> float:
        seen = Observation(
            stage.minutes(part), stage.drivers, stage.categories, stage.finished_at, alone=stage.unattended
        )
        before = self.state(stage.kind_key, part)
        prior = self.priors.get((stage.kind_key, part))
        entry = entry_of(before, seen, pooled=self.pooled[part], prior=prior)
        self.states[stage.kind_key, part] = after = with_entry(before, entry)
        self.pits = self.pits + shop_pits([after]) - before.pits
        pooled[part] = update_pooled(pooled[part], stage.kind_key, seen, entry.weight)
        return entry.sound if entry.features else 1.0

    def to_dict(self) -> dict[str, Any]:
        """JSON-safe; `from_dict` gives a learner that forecasts the same, bit for bit."""
        return {
            "states": [state.to_dict() for state in self.states.values()],
            "pooled": [self.pooled[part].to_dict() for part in PARTS],
            "pits": self.pits.tolist(),
            "correlations": self.correlations.to_dict(),
            "job_pits": self.job_pits.tolist(),
        }

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> Learner:
        """The learner that `to_dict` stored. Raises KeyError or ValueError for anything else."""
        states = [State.from_dict(state) for state in stored["states"]]
        return cls(
            {(state.kind, state.part): state for state in states},
            {part: State.from_dict(state) for part, state in zip(PARTS, stored["pooled"], strict=True)},
            np.asarray(stored["pits"], float),
            Correlations.from_dict(stored["correlations"]),
            np.asarray(stored["job_pits"], float),
        )


def column(kind: str, part: Part) -> str:
    """The name of a stage part's column among the correlations."""
    return f"{kind}/{part}"


def forecast_job(
    learner: Learner, job: JobRecord, rng: np.random.Generator
) -> tuple[list[dict[Part, Forecast]], list[Forecast], Forecast]:
    """The forecast of each part of each stage, of each stage, and of the job's total."""
    forecasts = [learner.parts(stage) for stage in job.stages]
    names = [
        [column(s.kind_key, part) for part in parts] for s, parts in zip(job.stages, forecasts, strict=True)
    ]
    stages = [
        next(iter(parts.values()))
        if len(parts) == 1
        else total(list(parts.values()), learner.correlations.matrix(columns), rng)
        for parts, columns in zip(forecasts, names, strict=True)
    ]
    matrix = learner.correlations.matrix([name for columns in names for name in columns])
    laws = [law for parts in forecasts for law in parts.values()]
    return forecasts, stages, total(laws, matrix, rng, pits=learner.job_pits)


def pits_of(job: JobRecord, forecasts: Sequence[Mapping[Part, Forecast]], whole: Forecast) -> Pits:
    """Where the finished job's minutes fell in the forecasts made of it; stages that are not used are left out."""
    columns = {
        column(s.kind_key, part): float(np.clip(f.pit(s.minutes(part)), CLIP, 1.0 - CLIP))
        for s, parts in zip(job.stages, forecasts, strict=True)
        if s.used
        for part, f in parts.items()
    }
    return Pits(columns, whole.pit(job.actual) if job.used else None)
