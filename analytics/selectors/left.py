"""What is left of an open job: its stages as the simulation takes them, and the arrows among them."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from zlib import crc32

import numpy as np

from analytics.engine.forecast import PROBS, Forecast
from analytics.engine.hours import to_minutes
from analytics.engine.later import Arrow
from analytics.engine.network import EdgeKind
from analytics.engine.plan import MinutesSpec, RunningSpec, ShopSpec, StageSpec, able_machines
from analytics.selectors.clocked import Clocked
from analytics.selectors.laws import PartForecast, forecasts_of
from analytics.selectors.models import Learned
from analytics.selectors.open_jobs import OpenJob as OpenJob
from analytics.selectors.premises import PRINTERS
from jobs.models import Attendance, Stage, StageState
from jobs.routes import Link
from shop.models import MachineKind

TRAVEL = "travel"
"""The key of the kind of stage that goes before a visit."""


@dataclass(frozen=True, eq=False)
class Moment:
    """What is the same for all jobs at an instant. known: for stages that are begun, and for those that are not."""

    now: datetime
    clock: Mapping[int, Clocked]
    known: tuple[Learned, Learned]
    spec: ShopSpec

    def minutes(self, instant: datetime) -> float:
        """Minutes from now."""
        return to_minutes(self.now, instant)


def left_of_job(one: OpenJob, index: int, at: Moment) -> tuple[list[StageSpec], list[Link]]:
    """The stages that are left of the job of that index, and the arrows among them."""
    kept, links = one.kept, one.links
    ends: dict[int, datetime] = {pk: s.finished_at for pk, s in kept.items() if s.finished_at is not None}
    held = holds_begun(kept, links, ends)
    done = {pk for pk in kept if pk in ends} | {pk for pk, end in held.items() if end <= at.now}
    ends = {**held, **ends}
    waited = waits_begun(kept, links, ends, at.now)
    film = takes_film(kept.values())
    left = []
    for pk, stage in kept.items():
        if pk in done:
            continue
        past = at.clock.get(pk) or waited.get(pk)
        mine = _stage_spec(one, stage, index, past, at)
        if pk in held:  # a hold that has begun ends at a known instant
            mine = replace(mine, unattended=_fixed(0.0))
        moments = [moment for moment in (one.job.ready_from, held.get(pk)) if moment is not None]
        if pk in film and one.job.film_from is not None:
            moments.append(one.job.film_from)
        mine = replace(
            mine,
            ready_at=_ready_at(moments, pk, links, ends, done, at),
            media=one.job.media_id if pk in film else None,
            pinned=at.minutes(stage.pinned_at) if stage.pinned_at is not None else None,
        )
        left.append(mine)
    links = [k for k in links if k.before_id not in done]
    return _with_visits(one, left, links, at), links


def _with_visits(one: OpenJob, left: list[StageSpec], links: Sequence[Link], at: Moment) -> list[StageSpec]:
    """The stages with the times at which the customer lets them begin; the way there begins before.

    Times that are over say nothing any more: with none to come the stages may begin whenever they are ready.
    """
    times = tuple((at.minutes(start), at.minutes(end)) for start, end in one.visits if end > at.now)
    if not times:
        return left
    there = {pk for pk, stage in one.kept.items() if stage.kind.on_site}
    way = {k.before_id for k in links if k.after_id in there and one.kept[k.before_id].kind.key == TRAVEL}
    stays = sum(_usual(stage.hands_on) for stage in left if stage.key in there)
    found = []
    for stage in left:
        if stage.key in there:
            stage = replace(stage, windows=times)
        elif stage.key in way:
            takes = _usual(stage.hands_on)
            last = min(takes, stays)  # it is behind one in time for the work there
            stage = replace(stage, windows=tuple((start - takes, end - last) for start, end in times))
        found.append(stage)
    return found


def _usual(minutes: MinutesSpec | None) -> float:
    return 0.0 if minutes is None else float(np.interp(0.5, PROBS, minutes.quantiles))


def arrow_of(link: Link) -> Arrow:
    """A link as the simulation takes it."""
    kind = EdgeKind.ATTENDED_TO_START if link.kind == "attended" else EdgeKind.FINISH_TO_START
    return link.before_id, link.after_id, kind, float(link.lag_min)


def takes_film(stages: Collection[Stage]) -> set[int]:
    """Keys of the stages that film goes into first: what is printed, or without a print what is cut."""
    printed = {stage.pk for stage in stages if stage.kind.machine_kind in PRINTERS}
    return printed or {stage.pk for stage in stages if stage.kind.machine_kind == MachineKind.CUTTER}


def holds_begun(
    kept: Mapping[int, Stage], links: Sequence[Link], ends: Mapping[int, datetime]
) -> dict[int, datetime]:
    """The ends of holds of fixed length whose earlier stages are all finished, or that somebody has started."""
    held: dict[int, datetime] = {}
    for pk, stage in kept.items():
        length = stage.hold_min if stage.kind.is_hold else None
        if length is None or pk in ends:
            continue
        before = [k.before_id for k in links if k.after_id == pk]
        if before and set(before) <= ends.keys():
            held[pk] = max(ends[b] for b in before) + timedelta(minutes=length)
        elif stage.state == StageState.RUNNING and stage.started_at is not None:
            held[pk] = stage.started_at + timedelta(minutes=length)
    return held


def waits_begun(
    kept: Mapping[int, Stage], links: Sequence[Link], ends: Mapping[int, datetime], now: datetime
) -> dict[int, Clocked]:
    """How long the holds of no set length have lasted that began, unclocked, with the finish before them."""
    waited: dict[int, Clocked] = {}
    for pk, stage in kept.items():
        open_ended = stage.kind.is_hold and stage.hold_min is None and stage.started_at is None
        if not open_ended or pk in ends:
            continue
        before = [k.before_id for k in links if k.after_id == pk]
        if not before or not set(before) <= ends.keys():
            continue
        elapsed = (now - max(ends[b] for b in before)) / timedelta(minutes=1)
        if elapsed > 0.0:
            waited[pk] = Clocked(0.0, elapsed, (), None)
    return waited


def _ready_at(
    moments: list[datetime],
    pk: int,
    links: Sequence[Link],
    ends: Mapping[int, datetime],
    done: Collection[int],
    at: Moment,
) -> float:
    """Minutes from now before which a stage may not begin: the last of these, and of what is done before it."""
    for k in links if done else ():
        if k.after_id == pk and k.before_id in done and k.before_id in ends:
            moments.append(ends[k.before_id] + timedelta(minutes=k.lag_min))
    return max((at.minutes(moment) for moment in moments), default=0.0)


def _stage_spec(one: OpenJob, stage: Stage, index: int, clocked: Clocked | None, at: Moment) -> StageSpec:
    kind, job = stage.kind, one.job
    hold = kind.attendance == Attendance.NOBODY
    base = StageSpec(
        key=stage.pk,
        job=index,
        kind=kind.pk,
        name=f"{stage.name} of job {job.number}",
        machine_kind=kind.machine_kind,
        machine=stage.machine_id,
        process=job.process_id,
        skill=None if hold else kind.skill_id,
        skill_name=kind.skill.name if kind.skill else "",
        people=0 if hold else kind.people,
        stream=crc32(kind.key.encode()),
    )
    if hold and stage.hold_min is not None:
        return replace(base, unattended=_fixed(float(stage.hold_min)))
    able = able_machines(at.spec, base) if base.machine_kind or base.machine is not None else []
    if base.machine is not None and not able:  # the machine it was set down for is no longer there
        base = replace(base, machine=None)
        able = able_machines(at.spec, base)
    here = {machine.key for machine in at.spec.machines}
    if clocked is not None and clocked.machine in here:
        base = replace(base, machine=clocked.machine)
    known = at.known[0] if clocked else at.known[1]
    laws = forecasts_of(kind, one.inputs(stage, able[0].name if len(able) == 1 else ""), known)
    alone = any(m.alone != "no" for m in able)
    return _with_laws(base, laws, clocked, stage.state == StageState.RUNNING, alone, known)


def _with_laws(
    base: StageSpec,
    laws: Sequence[PartForecast],
    clocked: Clocked | None,
    runs: bool,
    alone: bool,
    known: Learned,
) -> StageSpec:
    """The stage with the laws of what is left of it. alone: whether some machine for it may run by itself."""
    parts = {law.part: law.forecast for law in laws}
    hands_on, unattended = parts.get("hands_on"), parts.get("unattended")
    past = clocked or Clocked(0.0, 0.0, (), None)
    if hands_on is not None and unattended is not None and base.machine_kind and not alone:
        hands_on, unattended = known.together(hands_on, unattended), None
        past = replace(past, hands_on=past.hands_on + past.unattended)
    if past.unattended > 0 and unattended is not None and not past.people:
        hands_on = None  # it was started and left: only the machine's run is to come
    running = RunningSpec(past.people if hands_on is not None else (), past.machine)
    return replace(
        base,
        hands_on=_minutes(hands_on, past.hands_on),
        unattended=_minutes(unattended, past.unattended, apart=not (base.people or base.machine_kind)),
        running=running if runs and (running.people or running.machine is not None) else None,
    )


def _minutes(forecast: Forecast | None, elapsed: float, *, apart: bool = False) -> MinutesSpec | None:
    return (
        MinutesSpec(forecast.minutes, elapsed, forecast.kind_share, apart) if forecast is not None else None
    )


def _fixed(minutes: float) -> MinutesSpec:
    return MinutesSpec(np.full(PROBS.size, minutes))
