"""Walks that nobody asked for: so that the page of forecast quality has cases of the newest jobs."""

from __future__ import annotations

from datetime import datetime, timedelta

from analytics.models import BacktestRun, RunState
from analytics.selectors.history import jobs_to_walk, samples_to_walk
from analytics.services.backtesting import Wanted
from analytics.services.walks import WALKS, run_want
from shop.errors import ShopError
from shop.models import Shop

ENOUGH = 20
"""Finished jobs below which a walk says nothing."""

MANY = 2000
"""Finished jobs above which a walk takes minutes: then it is made weekly, and only the last year is scored."""


def runs_due(now: datetime) -> list[int]:
    """Want a walk in every shop in which jobs have finished since the last one; the runs made."""
    made = (_want_if_due(shop, now) for shop in Shop.objects.order_by("pk"))
    return [run.pk for run in made if run is not None]


def _want_if_due(shop: Shop, now: datetime) -> BacktestRun | None:
    if WALKS.under_way(shop).exists():
        return None
    jobs = jobs_to_walk(shop)
    last = WALKS.of(shop).filter(asked_by=None).defer("checkpoint", "result").first()
    if jobs < ENOUGH or not _is_due(last, jobs, now):
        return None
    try:
        return run_want(shop, _wanted(shop, jobs), None, now)
    except ShopError:  # there is nothing to score: nobody asked, so nobody is told
        return None


def _is_due(last: BacktestRun | None, jobs: int, now: datetime) -> bool:
    if last is None:
        return True
    if now - last.asked_at < (timedelta(days=7) if jobs > MANY else timedelta(days=1)):
        return False
    return last.state != RunState.DONE or last.total != jobs


def _wanted(shop: Shop, jobs: int) -> Wanted:
    if jobs <= MANY:
        return Wanted()
    newest = samples_to_walk(shop).order_by("finished_at").last()
    assert newest is not None  # noqa: S101 - there are many
    return Wanted(scored_from=shop.local(newest.finished_at).date() - timedelta(days=365))
