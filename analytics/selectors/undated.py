"""Which open jobs have no date because they cannot be done, and why: nothing is simulated for it."""

from __future__ import annotations

from datetime import datetime

from analytics.engine.work import LeftOut
from analytics.selectors.backlog import open_work
from analytics.selectors.refusals import REFUSALS, refusal_said
from shop.models import Shop


def why_undated(shop: Shop, now: datetime) -> tuple[str, tuple[LeftOut, ...]]:
    """Why no open job has a date, empty where that is not so; and those that alone have none, in the same words."""
    try:
        work = open_work(shop, None, now)
        work.book()
    except REFUSALS as why:
        return refusal_said(why), ()
    return "", work.left_out
