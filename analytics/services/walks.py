"""Walks through a shop's past in the background: wanted, taken in slices, stopped, taken up again.

A slice ends with its cases, what had been learned by then (the checkpoint) and the beat written in one transaction, so
that a worker that is killed loses at most a slice and no case is there twice. Whoever works at a run knows it by its
beat: one that finds another beat than it wrote itself leaves the run to the other.
"""

from __future__ import annotations

import base64
import json
import logging
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from time import monotonic
from typing import Any

from django.db import IntegrityError, InterfaceError, OperationalError, transaction
from django.db.models import Q
from django.utils import timezone

from analytics.engine.backtest import ForecastRow, HistoryChanged, JobRecord, Walk
from analytics.models import BacktestRun, ForecastCase, RunState, Sample
from analytics.selectors.history import job_records
from analytics.selectors.samples import EPOCH
from analytics.services.backtesting import Wanted, checked_walk, options_of
from analytics.services.learning import sweep_shop
from jobs.models import Job
from shop.errors import BadInput, ShopError
from shop.models import Shop, User

log = logging.getLogger(__name__)

SLICE = 8.0
"""Seconds that a walk has the worker; then what waits meanwhile has its turn."""

BEAT = 2.0
"""Seconds between two writings of what was done."""

STALE = timedelta(seconds=60)
"""A run whose beat is older has nobody at it any more."""

KEPT = 5
"""So many of a shop's newest runs keep their cases."""

UNDER_WAY = (RunState.WANTED, RunState.RUNNING)
WHY_LONGEST = 250


class Lost(Exception):
    """The run was stopped, deleted or taken over."""


@dataclass
class Slice:
    """A run in hand: its walk, and which kinds and job types its cases are of."""

    run: BacktestRun
    walk: Walk
    kinds: dict[int, int] = field(default_factory=dict)
    job_types: dict[int, int] = field(default_factory=dict)
    rows: list[ForecastRow] = field(default_factory=list)

    @property
    def is_done(self) -> bool:
        """Whether the walk has come to its end."""
        return self.walk.done == len(self.walk.steps)


def run_want(shop: Shop, wanted: Wanted, user: User | None, now: datetime) -> BacktestRun:
    """A run that waits for a worker. Raises BadInput for a wish that makes no sense, ShopError if one is under way."""
    if BacktestRun.objects.of(shop).filter(state__in=UNDER_WAY).exists():
        raise ShopError("A walk is under way already. Wait for it, or stop it, and then begin another.")
    walk = checked_walk(shop, job_records(shop), wanted)
    return BacktestRun.objects.create(
        shop=shop,
        first=wanted.first,
        scored_from=wanted.scored_from,
        scored_to=wanted.scored_to,
        leave_out=list(wanted.leave_out),
        asked_at=now,
        asked_by=user,
        jobs_total=len(walk.jobs),
    )


def run_stop(run: BacktestRun) -> None:
    """Let a run rest where it is. Raises ShopError if it is not under way."""
    if not BacktestRun.objects.filter(pk=run.pk, state__in=UNDER_WAY).update(state=RunState.STOPPED):
        raise ShopError("This walk is not under way, so there is nothing to stop.")


def run_go_on(run: BacktestRun, now: datetime) -> None:
    """Let a run that rests or failed go on from where it was. Raises ShopError for any other."""
    others = BacktestRun.objects.of(run.shop).filter(state__in=UNDER_WAY)
    if others.exclude(pk=run.pk).exists():
        raise ShopError("Another walk is under way. Wait for it, or stop it, and then let this one go on.")
    rests = BacktestRun.objects.filter(pk=run.pk, state__in=(RunState.STOPPED, RunState.FAILED))
    rested = now - run.beat_at if run.beat_at else timedelta()
    started_at = run.started_at + rested if run.started_at else None  # so that its speed can be told from it
    if not rests.update(state=RunState.WANTED, error="", started_at=started_at):
        raise ShopError("This walk is under way or done, so it cannot go on.")


def run_delete(run: BacktestRun) -> None:
    """Remove a run with its cases; a worker that is at it leaves off."""
    run.delete()


def runs_waiting(now: datetime) -> list[int]:
    """The runs that nobody has been at for a while."""
    since = now - STALE
    unheard = Q(beat_at__lt=since) | Q(beat_at=None, asked_at__lt=since)
    waiting = BacktestRun.objects.filter(unheard, state__in=UNDER_WAY)
    return list(waiting.order_by("pk").values_list("pk", flat=True))


def run_carry_on(run_id: int, seconds: float = SLICE) -> bool:
    """Take a run further for a while; whether there is more to do. Does nothing where somebody else is at it."""
    run = _claimed(run_id, timezone.now())
    if run is None:
        return False
    try:
        return _carried_on(run, seconds)
    except Lost:
        return False
    except BadInput as problem:
        _leave(run, state=RunState.FAILED, error=problem.message, ended_at=timezone.now())
    except IntegrityError:  # a job went between reading and writing: the next slice sees that
        _leave(run, state=RunState.WANTED)
        return True
    except (OperationalError, InterfaceError):
        raise  # the database is away: the sweep finds the run when it is back
    except Exception as problem:
        log.exception("The walk of run %s broke off", run_id)
        _leave(run, state=RunState.FAILED, error=f"It broke off: {problem!r}", ended_at=timezone.now())
    return False


def _claimed(run_id: int, now: datetime) -> BacktestRun | None:
    """The run, if nobody is at it and it was got before anybody else."""
    free = Q(state=RunState.WANTED) | Q(state=RunState.RUNNING, beat_at__lt=now - STALE)
    run = BacktestRun.objects.filter(free, pk=run_id).select_related("shop").first()
    if run is None:
        return None
    mine = BacktestRun.objects.filter(free, pk=run_id, beat_at=run.beat_at)
    run.beat_at, run.started_at = _next_beat(run, now), run.started_at or now
    taken = mine.update(state=RunState.RUNNING, beat_at=run.beat_at, started_at=run.started_at)
    return run if taken else None


def _next_beat(run: BacktestRun, now: datetime) -> datetime:
    """Now, but never the beat before: a beat is a name as well."""
    return now if run.beat_at is None or now > run.beat_at else run.beat_at + timedelta(microseconds=1)


def _carried_on(run: BacktestRun, seconds: float) -> bool:
    now = _taken_up(run)
    until = monotonic() + seconds
    beat = monotonic()
    for rows in now.walk:
        now.rows += rows
        if now.is_done or monotonic() - beat < BEAT:
            continue
        rests = monotonic() >= until
        _write(now, state=RunState.WANTED if rests else RunState.RUNNING)
        if rests:
            return True
        beat = monotonic()
    result = now.walk.result().to_dict()
    _write(now, state=RunState.DONE, result=result, checkpoint={}, ended_at=timezone.now())
    _forget_old_cases(run.shop)
    return False


def _taken_up(run: BacktestRun) -> Slice:
    """The run's walk from its checkpoint; from the beginning where it has none or the history is another now."""
    if not run.checkpoint:
        sweep_shop(run.shop)
    jobs = job_records(run.shop)
    walk, said = _resumed(run, jobs), run.error
    if walk is None:
        if run.checkpoint:
            said = "The history changed meanwhile, so the walk began again."
        walk = checked_walk(run.shop, jobs, wanted_of(run))
        with _held(run, error=said, checkpoint={}, jobs_done=0, jobs_total=len(walk.jobs)):
            run.cases.all().delete()
    kinds = dict(Sample.objects.of(run.shop).order_by().values_list("stage_id", "kind_id"))
    job_types = dict(Job.objects.of(run.shop).order_by().values_list("pk", "job_type_id"))
    return Slice(run, walk, kinds, job_types)


def _resumed(run: BacktestRun, jobs: Sequence[JobRecord]) -> Walk | None:
    try:
        return Walk.resumed(jobs, options_of(run.shop, wanted_of(run)), unpacked(run.checkpoint))
    except HistoryChanged:
        return None


def _write(now: Slice, **facts: Any) -> None:
    """Keep the slice's cases and where the walk is, all or nothing. Raises Lost."""
    walk, cases = now.walk, [_case(now, row) for row in now.rows]
    facts = facts if now.is_done else {"checkpoint": packed(walk.to_dict()), **facts}
    with _held(now.run, jobs_done=walk.finished, jobs_total=len(walk.jobs), **facts):
        ForecastCase.objects.bulk_create(cases, batch_size=500)
    now.rows = []


@contextmanager
def _held(run: BacktestRun, **facts: Any) -> Iterator[None]:
    """Write facts of a run that is still ours, and the next beat, together with what is written inside. Raises Lost."""
    with transaction.atomic():
        row = BacktestRun.objects.select_for_update().filter(pk=run.pk).only("beat_at", "state").first()
        if row is None or row.beat_at != run.beat_at or row.state != RunState.RUNNING:
            raise Lost
        yield
        beat = _next_beat(run, timezone.now())
        BacktestRun.objects.filter(pk=run.pk).update(beat_at=beat, **facts)
    run.beat_at = beat


def _leave(run: BacktestRun, **facts: Any) -> None:
    """Write with which facts a run is left, if it is still ours."""
    with suppress(Lost), _held(run, **facts):
        pass


def _case(now: Slice, row: ForecastRow) -> ForecastCase:
    return ForecastCase(
        shop_id=now.run.shop_id,
        run=now.run,
        job_id=row.job_row,
        job_type_id=now.job_types[row.job_row],
        stage_id=row.stage_row,
        kind_id=None if row.stage_row is None else now.kinds[row.stage_row],
        finished_at=EPOCH + timedelta(minutes=row.finished_at),
        quantiles=list(row.quantiles),
        actual_min=row.actual_min,
        planned_min=row.planned_min,
        pit=row.pit,
        crps=row.crps,
        crps_mean=row.crps_mean,
        crps_past=row.crps_past,
        used=row.used,
        why=row.why[:WHY_LONGEST],
    )


def _forget_old_cases(shop: Shop) -> None:
    keep = list(BacktestRun.objects.of(shop).values_list("pk", flat=True)[:KEPT])
    ForecastCase.objects.of(shop).exclude(run__in=keep).delete()


def wanted_of(run: BacktestRun) -> Wanted:
    """What was asked of a run."""
    return Wanted(run.first, run.scored_from, run.scored_to, tuple(run.leave_out))


def packed(walk: dict[str, Any]) -> dict[str, str]:
    """A walk's `to_dict` for a column of JSON: as compressed text, so that no database rounds or reorders it."""
    text = json.dumps(walk, allow_nan=True).encode()
    return {"zlib_b64": base64.b64encode(zlib.compress(text, 1)).decode("ascii")}


def unpacked(checkpoint: dict[str, str]) -> dict[str, Any]:
    """What `packed` stored. Raises HistoryChanged where there is nothing like it."""
    try:
        stored: dict[str, Any] = json.loads(zlib.decompress(base64.b64decode(checkpoint["zlib_b64"])))
    except (KeyError, ValueError, zlib.error) as error:
        raise HistoryChanged("There is no checkpoint.") from error
    return stored
