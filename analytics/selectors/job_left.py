"""What the clock has of each stage of a job, the laws of what is to come, and what is left of them all together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from analytics.engine.backtest import column
from analytics.engine.minutes import measure
from analytics.engine.plan import MachineSpec, ShopSpec, StageSpec, able_machines
from analytics.engine.remaining import Left, remaining
from analytics.engine.totals import total
from analytics.engine.trade import Part
from analytics.models import Sample
from analytics.selectors.backlog import (
    Clocked,
    PartForecast,
    clocked,
    holds_begun,
    machine_specs,
    stage_forecasts,
    waits_begun,
)
from analytics.selectors.models import CLIP, TOGETHER, Learned
from analytics.selectors.samples import spans_of
from analytics.selectors.signs import rows_of
from jobs.models import Interval, Job, Stage, StageState
from jobs.routes import active_edges

Floats = NDArray[np.float64]

NOTHING_YET = Clocked(0.0, 0.0, (), None)


@dataclass(frozen=True)
class Work:
    """A kept stage of a job at an instant.

    machine: the only one that can do it, else ''. parts: the laws of its parts before any of it was clocked; none
    where its length is set. left: the laws of what is to come, with the minutes that each has taken so far. clocked:
    minutes by hand and of the machine alone, of a hold elapsed. set_left: minutes left of a hold of set length; None
    where that is not set. pits: where the parts of a finished stage fell in the forecasts before it.
    """

    stage: Stage
    machine: str
    parts: Sequence[PartForecast]
    left: Sequence[tuple[PartForecast, float]]
    clocked: tuple[float, float]
    set_left: float | None
    pits: Mapping[Part, float]


@dataclass(frozen=True, eq=False)
class JobLeft:
    """What is left of a job, drawn jointly. stages, hands_on, machine: their columns; the last two without holds."""

    drawn: Left
    stages: Mapping[int, Sequence[int]]
    hands_on: Sequence[int]
    machine: Sequence[int]


def works_of(job: Job, known: Learned, now: datetime) -> list[Work]:
    """The kept stages of a job of `jobs_to_forecast` at `now` (aware). Five queries."""
    every = list(job.stages.all())
    kept = {stage.pk: stage for stage in every if not stage.left_out}
    spans = spans_of(rows_of(Interval.objects.of(job.shop).filter(stage__job=job)))
    begun = clocked(job.shop, now)
    pits = dict(Sample.objects.of(job.shop).filter(stage__job=job, used=True).values_list("stage", "pit"))
    machines = machine_specs(job.shop)
    set_left, waited = _holds(every, kept, now)
    works = []
    for pk, stage in kept.items():
        if stage.state == StageState.FINISHED:
            minutes = measure(spans.get(pk, ()))
            past = Clocked(minutes.hands_on, minutes.unattended, (), None)
        else:
            past = begun.get(pk) or waited.get(pk) or NOTHING_YET
        if pk in set_left:
            gone = _gone(stage, set_left[pk])
            works.append(Work(stage, "", (), (), gone, set_left[pk], {}))
        else:
            works.append(_work(job, stage, past, pits.get(pk, {}), _able(job, stage, machines, now), known))
    return works


def left_of(job: Job, works: Sequence[Work], known: Learned) -> JobLeft:
    """What is left of all of it together: where the finished parts fell moves those to come, but for holds, on which
    nobody's being quick or slow bears."""
    parts = [(work.stage, part, elapsed) for work in works for part, elapsed in work.left]
    fell = [
        (column(work.stage.kind.key, part), min(max(pit, CLIP), 1.0 - CLIP))
        for work in works
        if not work.stage.kind.is_hold
        for part, pit in work.pits.items()
    ]
    names = [column(stage.kind.key, part.part) for stage, part, _ in parts] + [name for name, _ in fell]
    matrix = known.correlations.matrix(names) if names else np.zeros((0, 0))
    for i, (stage, _, _) in enumerate(parts):
        if stage.kind.is_hold:
            matrix[i, :], matrix[:, i], matrix[i, i] = 0.0, 0.0, 1.0
    drawn = remaining(
        [part.forecast for _, part, _ in parts],
        [elapsed for _, _, elapsed in parts],
        [pit for _, pit in fell],
        matrix,
        np.random.default_rng(job.number),
    )
    places = [(i, stage, part.part) for i, (stage, part, _) in enumerate(parts)]
    return JobLeft(
        drawn,
        {work.stage.pk: [i for i, stage, _ in places if stage.pk == work.stage.pk] for work in works},
        [i for i, stage, part in places if part == "hands_on" and not stage.kind.is_hold],
        [i for i, stage, part in places if part == "unattended" and not stage.kind.is_hold],
    )


def _work(
    job: Job,
    stage: Stage,
    past: Clocked,
    pits: Mapping[Part, float],
    able: Sequence[MachineSpec],
    known: Learned,
) -> Work:
    machine = able[0].name if len(able) == 1 else ""
    parts = stage_forecasts(job, stage, known, machine)
    done = stage.state == StageState.FINISHED
    attended = bool(stage.kind.machine_kind) and all(one.alone == "no" for one in able)
    left = [] if done else parts_left(parts, past, attended=attended)
    minutes = (past.hands_on, past.unattended)
    return Work(stage, machine, parts, left, minutes, None, pits if done else {})


def parts_left(
    parts: Sequence[PartForecast], past: Clocked, *, attended: bool
) -> list[tuple[PartForecast, float]]:
    """The laws of what is to come with the minutes that each has taken so far, as the promise takes them.

    attended: no machine for it may run alone, so that all of its minutes are hands-on.
    """
    minutes: dict[Part, float] = {"hands_on": past.hands_on, "unattended": past.unattended}
    if attended and len(parts) == 2:
        laws = [part.forecast for part in parts]
        both = total(laws, TOGETHER, np.random.default_rng(0))
        return [(PartForecast(both, "hands_on"), past.hands_on + past.unattended)]
    alone = past.unattended > 0 and not past.people and any(part.part == "unattended" for part in parts)
    return [
        (part, minutes[part.part])
        for part in parts
        if not (
            alone and part.part == "hands_on"
        )  # it was started and left: only the machine's run is to come
    ]


def _able(job: Job, stage: Stage, machines: tuple[MachineSpec, ...], now: datetime) -> list[MachineSpec]:
    """The machines that could do a stage."""
    kind = stage.kind
    if not kind.machine_kind and stage.machine_id is None:
        return []
    spec = ShopSpec(now, job.shop.time_zone, {}, frozenset(), (), machines)
    found: list[MachineSpec] = []
    for machine in dict.fromkeys(
        (stage.machine_id, None)
    ):  # None: the one it was set down for is no longer there
        wanted = StageSpec(
            stage.pk, 0, kind.pk, stage.name, kind.machine_kind, machine, process=job.process_id
        )
        found = found or able_machines(spec, wanted)
    return found


def _holds(
    every: Sequence[Stage], kept: Mapping[int, Stage], now: datetime
) -> tuple[dict[int, float], dict[int, Clocked]]:
    """Minutes left of holds of set length; and how long waits have lasted that began unclocked."""
    links = active_edges(every, [edge for stage in every for edge in stage.out_edges.all()])
    ends = {pk: stage.finished_at for pk, stage in kept.items() if stage.finished_at is not None}
    held = holds_begun(kept, links, ends)
    left = {}
    for pk, stage in kept.items():
        if stage.kind.is_hold and stage.hold_min is not None:
            over = stage.finished_at is not None
            whole = float(stage.hold_min)
            left[pk] = (
                0.0 if over else max(0.0, (held[pk] - now) / timedelta(minutes=1)) if pk in held else whole
            )
    return left, waits_begun(kept, links, {**held, **ends}, now)


def _gone(stage: Stage, left: float) -> tuple[float, float]:
    """Of a hold of set length what has passed of it."""
    return 0.0, float(stage.hold_min or 0) - left
