"""What the pages of searches for a better order show: how far one is, and what it found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import QuerySet

from analytics.engine.order_reasons import PAID
from analytics.models import JobOutlook, OrderSearch
from analytics.selectors.backlog import OPEN
from analytics.words.order import say_why
from jobs.models import Job, Stage, StageState
from shop.models import Shop

EFFORTS = {"short": 1200, "usual": 3000, "long": 12000}
"""How long may be searched: looks at an order."""

STAGE_SECONDS = 2e-5
"""What a stage takes in one look at an order."""
LOOK_SECONDS = 4e-4
"""What a look takes besides."""

TIMED = 50
"""So many looks tell how fast it goes."""


@dataclass(frozen=True)
class Progress:
    """How far a search is. share: 0..1. left: seconds, None where nobody can say. gain: of the best order so far,
    by which share it is less late than the present one; None before the first.
    """

    done: int
    total: int
    share: float
    left: float | None
    gain: float | None
    tried: int


@dataclass(frozen=True)
class JobRow:
    """A job in the table of an order. Pairs are before and after; kept: None without a date.

    stuck: why a job with a date cannot be done, so that it was searched without it.
    """

    job: Job
    places: tuple[int, int]
    moved: bool
    kept: tuple[float, float] | None
    finish: tuple[datetime, datetime]
    why: tuple[str, ...]
    stuck: str = ""

    @property
    def forward(self) -> bool:
        """Whether it is brought forward."""
        return self.places[1] < self.places[0]

    @property
    def is_worse(self) -> bool:
        """Whether its date becomes plainly less likely."""
        return self.kept is not None and self.kept[1] < self.kept[0] - PAID


def order_searches(shop: Shop) -> QuerySet[OrderSearch]:
    """A shop's searches, the newest first, without what is large."""
    return OrderSearch.objects.of(shop).select_related("asked_by").defer("book", "result", "turns_before")


def progress_of(search: OrderSearch) -> Progress:
    """How far a search is."""
    share = search.done / search.total if search.total else 0.0
    left = None
    if search.done >= TIMED and search.started_at and search.beat_at:
        spent = (search.beat_at - search.started_at).total_seconds()
        left = spent / search.done * (search.total - search.done)
    standing: Mapping[str, Any] = search.result.get("standing", {})
    before, best = standing.get("before"), standing.get("best_harm")
    gain = None
    if before and best is not None:
        gain = max(1.0 - best / before, 0.0)
    return Progress(search.done, search.total, share, left, gain, standing.get("steps", 0))


def seconds_for(shop: Shop, effort: int) -> float:
    """About how long a search of the open jobs takes."""
    stages = Stage.objects.of(shop).filter(job__status__in=OPEN, left_out=False)
    left = stages.exclude(state=StageState.FINISHED).count()
    return effort * (LOOK_SECONDS + STAGE_SECONDS * left)


def job_rows(search: OrderSearch) -> list[JobRow]:
    """The jobs in the order that was found, those that are gone left out."""
    kept: list[dict[str, Any]] = search.result.get("jobs", [])
    jobs = Job.objects.of(search.shop).in_bulk([row["job"] for row in kept])
    outlooks = JobOutlook.objects.of(search.shop).filter(job__in=jobs).exclude(why="")
    reasons = dict(outlooks.values_list("job", "why"))
    return [
        JobRow(
            jobs[row["job"]],
            (row["places"][0], row["places"][1]),
            row["moved"],
            (row["kept"][0], row["kept"][1]) if row["kept"] is not None else None,
            (datetime.fromisoformat(row["finish"][0]), datetime.fromisoformat(row["finish"][1])),
            tuple(words for reason in row["why"] if (words := say_why(reason))),
            _stuck(jobs[row["job"]], reasons) if row["kept"] is None else "",
        )
        for row in kept
        if row["job"] in jobs
    ]


def _stuck(job: Job, reasons: Mapping[int, str]) -> str:
    """Why a job that has a date was searched without it; empty for one that has none."""
    if job.due_at is None:
        return ""
    return reasons.get(job.pk) or "It could not be done when this was searched."
