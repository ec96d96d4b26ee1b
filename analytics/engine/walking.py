"""The order of a walk through the past: what is forecast and what is learned, moment after moment."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from analytics.engine.learner import JobRecord, StageRecord


class HistoryChanged(ValueError):
    """What was walked through is not what it was, so a walk cannot be taken up where it was left."""


@dataclass(frozen=True)
class Moment:
    """One thing that a walk does. job: its place in the order of finish. stage: its place in the job; None: all."""

    does: Literal["forecast", "learn stages", "learn job"]
    job: int
    stage: int | None = None

    def stages(self, jobs: Sequence[JobRecord]) -> Sequence[StageRecord]:
        """The stages that it is about."""
        stages = jobs[self.job].stages
        return stages if self.stage is None else [stages[self.stage]]


Step = tuple[Moment, ...]


def moments(jobs: Sequence[JobRecord], as_of: Literal["finish", "start"]) -> list[Step]:
    """The steps of a walk through jobs in the order of their finish.

    As of the finish a step is a job: forecast, then learned. As of the start a step is a moment of its own: a job's
    first start, a stage's finish, a job's finish. What happens at the same instant as a start is not known at it.
    """
    if as_of == "finish":
        return [
            (Moment("forecast", i), Moment("learn stages", i), Moment("learn job", i))
            for i in range(len(jobs))
        ]
    timed: list[tuple[float, int, int, int, Moment]] = []
    for i, job in enumerate(jobs):
        ends = [min(stage.finished_at, job.finished_at) for stage in job.stages]
        starts_at = min([job.finished_at, *(stage.started_at for stage in job.stages), *ends])
        timed.append((starts_at, 0, i, 0, Moment("forecast", i)))
        timed.extend((end, 1, i, k, Moment("learn stages", i, k)) for k, end in enumerate(ends))
        timed.append((job.finished_at, 2, i, 0, Moment("learn job", i)))
    return [(moment,) for *_, moment in sorted(timed, key=lambda each: each[:4])]


def fingerprint(before: str, step: Step, jobs: Sequence[JobRecord]) -> str:
    """A digest of the records that a step read and of all that was read before it, whose digest is given."""
    digest = hashlib.sha256(before.encode())
    for moment in step:
        digest.update(f"{moment}".encode())
        if moment.does == "forecast":
            digest.update(repr(jobs[moment.job]).encode())
    return digest.hexdigest()
