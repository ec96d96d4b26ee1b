"""The laws of a stage's minutes, from what the shop has learned and what the stage's time hangs on."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from analytics.engine.forecast import Forecast
from analytics.engine.trade import PARTS, Part, defaults_for
from analytics.selectors.models import Learned
from jobs.drivers import Sized, categories_of, depends_on, drivers_of
from jobs.models import Attendance, Job, Stage, StageKind

Inputs = tuple[dict[str, float], dict[str, str]]
"""The drivers and the categories that a stage's forecast is made from."""


@dataclass(frozen=True)
class PartForecast:
    """The law of one part of one stage, and whether it takes any time at all."""

    forecast: Forecast
    part: Part


def stage_forecasts(job: Job, stage: Stage, known: Learned, machine: str = "") -> list[PartForecast]:
    """The laws of a stage's parts; those that the stage does not have are left out. Prefetch `kind__ignores`."""
    return forecasts_of(stage.kind, stage_inputs(job, stage, machine), known)


def forecasts_of(kind: StageKind, inputs: Inputs, known: Learned) -> list[PartForecast]:
    """The laws of the parts of a stage of this kind."""
    drivers, categories = inputs
    return [
        PartForecast(known.forecast(kind.key, part, drivers, categories), part)
        for part in PARTS
        if _has_part(kind, part, known)
    ]


def stage_inputs(job: Job, stage: Stage, machine: str = "") -> Inputs:
    """What a stage's forecast is made from. Prefetch `kind__ignores`."""
    ignores = {driver.key for driver in stage.kind.ignores.all()}
    items = () if stage.kind.is_hold else job.items.all()
    return inputs_of(job, stage, items, ignores, machine)


def inputs_of(
    job: Job, stage: Stage, items: Iterable[Sized], ignores: Collection[str], machine: str = ""
) -> Inputs:
    """The same where the job's items, and the keys of the drivers that the kind ignores, are at hand."""
    items = () if stage.kind.is_hold else items  # as in a sample
    drivers = depends_on(ignores, drivers_of(items, job.drivers, stage.drivers))
    own: Mapping[str, str] = depends_on(ignores, categories_of(job.drivers, stage.drivers))
    categories = {"job_type": job.job_type.name, **own}
    if machine:
        categories["machine"] = machine
    return drivers, categories


def _has_part(kind: StageKind, part: Part, known: Learned) -> bool:
    if kind.attendance == Attendance.NOBODY:
        return part == "unattended"
    if part == "hands_on":
        return True
    usual = kind.attendance == Attendance.START and defaults_for(kind.key, part).usual
    return usual or known.state(kind.key, part).n > 0
