"""What a job waits for from outside: its film, and the times at which the customer can be visited."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from jobs.models import Job, VisitWindow
from shop.errors import BadInput

MOST_VISITS = 40
LONGEST_VISIT = timedelta(days=31)
MANY_YEARS = timedelta(days=3650)

Visit = tuple[datetime, datetime]
"""From and to, aware."""


@dataclass(frozen=True)
class Times:
    """film_from: the film arrives then; None: it is there. visits: none: the customer can be visited at any time."""

    film_from: datetime | None = None
    visits: Sequence[Visit] = ()


def times_of(job: Job) -> Times:
    """A job's times as they are kept."""
    return Times(job.film_from, [(one.starts_at, one.ends_at) for one in job.visits.all()])


def visits_check(visits: Sequence[Visit], now: datetime) -> None:
    """Raise BadInput naming the first time that makes no sense, as 'visits.<index>.to'."""
    if len(visits) > MOST_VISITS:
        raise BadInput(
            f"{len(visits)} times at the customer’s; the most are {MOST_VISITS}. Keep the next ones.",
            field="visits",
        )
    for index, (start, end) in enumerate(visits):
        if start.tzinfo is None or end.tzinfo is None:
            raise BadInput(f"Time {index + 1} says no time zone.", field=f"visits.{index}.from")
        if end <= start:
            raise BadInput(
                f"Time {index + 1} at the customer’s ends before it begins. Make it end later.",
                field=f"visits.{index}.to",
            )
        if end - start > LONGEST_VISIT:
            raise BadInput(
                f"Time {index + 1} at the customer’s is longer than a month. If they can be visited at any time, "
                "leave it out.",
                field=f"visits.{index}.to",
            )
        if abs(start - now) > MANY_YEARS:
            raise BadInput(
                f"Time {index + 1} at the customer’s is in the year {start.year}. Check the date.",
                field=f"visits.{index}.from",
            )


def visits_write(job: Job, visits: Sequence[Visit], now: datetime) -> None:
    """Give the job these times at the customer's instead of those it has. Raises BadInput."""
    visits_check(visits, now)
    job.visits.all().delete()
    VisitWindow.objects.bulk_create(
        VisitWindow(shop=job.shop, job=job, starts_at=start, ends_at=end) for start, end in sorted(visits)
    )
