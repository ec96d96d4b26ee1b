"""Walks through a shop's past in the background.

A slice ends with its cases, what had been learned by then (the checkpoint) and the beat written in one transaction, so
that a worker that is killed loses at most a slice and no case is there twice.
"""

from __future__ import annotations

import base64
import json
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from time import monotonic
from typing import Any

from django.db import IntegrityError
from django.utils import timezone

from analytics.engine.backtest import ForecastRow, HistoryChanged, JobRecord, Walk
from analytics.models import BacktestRun, ForecastCase, RunState, Sample
from analytics.selectors.history import job_records
from analytics.selectors.samples import EPOCH
from analytics.services.backtesting import Wanted, checked_walk, options_of
from analytics.services.learning import sweep_shop
from analytics.services.long_work import BEAT, LongWorks
from jobs.models import Job
from shop.errors import BadInput
from shop.models import Shop, User

KEPT = 5
"""So many of a shop's newest runs keep their cases."""

WHY_LONGEST = 250


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
    WALKS.check_free(shop)
    walk = checked_walk(shop, job_records(shop), wanted)
    return BacktestRun.objects.create(
        shop=shop,
        first=wanted.first,
        scored_from=wanted.scored_from,
        scored_to=wanted.scored_to,
        leave_out=list(wanted.leave_out),
        asked_at=now,
        asked_by=user,
        total=len(walk.jobs),
    )


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
        with WALKS.held(run, error=said, checkpoint={}, done=0, total=len(walk.jobs)):
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
    with WALKS.held(now.run, done=walk.finished, total=len(walk.jobs), **facts):
        ForecastCase.objects.bulk_create(cases, batch_size=500)
    now.rows = []


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


def _said(problem: Exception) -> str | None:
    return problem.message if isinstance(problem, BadInput) else None


# A job may go between reading and writing: the next slice sees that.
WALKS = LongWorks(BacktestRun, "walk", _carried_on, _said, again=(IntegrityError,))
"""What walks have in common with other long work."""
