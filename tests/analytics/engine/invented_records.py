"""What an invented shop's clock shows of its jobs: forgotten stops, late starts, split sittings, rounding."""

from __future__ import annotations

import math

import numpy as np

from analytics.engine.backtest import JobRecord, StageRecord
from tests.analytics.engine.invented import InventedJob, InventedShop, TrueStage
from tests.analytics.engine.invented_truth import Truth

NIGHT = (13 * 60.0, 17 * 60.0)
"""Minutes from the end of the work to the next morning's press."""

BETWEEN = 600.0
"""Mean minutes from one stage's end to the next one's start."""


def true_record(job: InventedJob) -> JobRecord:
    """A job as it was: its true minutes, disruptions and all."""
    return _job_record(job, [s.minutes for s in job.stages], None)


def clocked_record(job: InventedJob, shop: InventedShop) -> JobRecord:
    """A job as the clock has it, all of it taken at face value."""
    rng = shop.stream("clock", job.number)
    unit = rounding_of(shop)
    shown = [_rounded(_sittings(s, shop.truth, rng), unit) for s in job.stages]
    return _job_record(job, shown, rng)


def rounding_of(shop: InventedShop) -> float:
    """The minutes to which a shop's clock is rounded; 0 for none."""
    units = shop.truth.rounding
    return float(shop.stream("rounding").choice(units)) if units else 0.0


def _sittings(stage: TrueStage, truth: Truth, rng: np.random.Generator) -> list[float]:
    """The clocked minutes of a stage part, sitting by sitting. Nobody forgets to stop a machine: it stops itself."""
    forgot, night, late, by, split, at, lost = rng.random(7)
    extra = truth.forgotten_min * math.exp(truth.forgotten_spread * rng.standard_normal())
    minutes = stage.minutes
    if stage.part == "unattended":
        return [minutes]
    if late < truth.late:
        low, high = truth.late_by
        minutes *= 1.0 - (low + (high - low) * by)
    if forgot < truth.forgotten:
        minutes += NIGHT[0] + (NIGHT[1] - NIGHT[0]) * at if night < truth.overnight else extra
    if split >= truth.split:
        return [minutes]
    left = max(minutes - lost * truth.split_loss, 0.5 * minutes)
    return [left * (0.2 + 0.6 * at), left * (0.8 - 0.6 * at)]


def _rounded(sittings: list[float], unit: float) -> float:
    """The sum of the sittings as they are kept, each one rounded; never nothing."""
    if not unit:
        return sum(sittings)
    return max(sum(float(np.round(minutes / unit)) * unit for minutes in sittings), unit)


def _job_record(job: InventedJob, minutes: list[float], rng: np.random.Generator | None) -> JobRecord:
    """The job with these minutes of its parts; with gaps between the stages if there are random numbers for them."""
    of: dict[str, dict[str, float]] = {}
    first = {s.kind: s for s in reversed(job.stages)}
    for stage, taken in zip(job.stages, minutes, strict=True):
        of.setdefault(stage.kind, {"hands_on": 0.0})[stage.part] = taken
    ends, stages = job.at, []
    for kind, parts in reversed(of.items()):
        starts = ends - sum(parts.values())
        known = first[kind]
        stages.append(
            StageRecord(
                kind,
                kind,
                parts["hands_on"],
                parts.get("unattended", 0.0),
                known.drivers,
                known.categories,
                started_at=starts,
                finished_at=ends,
            )
        )
        ends = starts - (float(rng.exponential(BETWEEN)) if rng else 0.0)
    return JobRecord(f"job {job.number:05d}", job.job_type, job.at, stages[::-1])
