"""Every date that a shop gave, with how it turned out."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from typing import Any
from urllib.parse import urlencode

from django.db.models import QuerySet

from analytics.engine.hours import Calendar, NeverOpen, to_minutes, weekly
from analytics.engine.ledger import Given, Judged, Outcome, Work, judge
from analytics.models import Promise
from jobs.models import Job, JobStatus, JobType
from jobs.selectors.jobs import plain_cell
from shop.models import Shop
from shop.selectors import closed_days, opening_hours

MINUTE = timedelta(minutes=1)
CHANGED = "changed"
"""What stands for an outcome where jobs whose date was moved are asked for."""
CSV_HEADER = (
    "job",
    "title",
    "customer",
    "job_type",
    "given_at",
    "given_by",
    "stated",
    "read_off_at",
    "rush",
    "promised_at",
    "finished_at",
    "outcome",
    "why_changed",
    "replaced_at",
    "withdrawn_at",
    "late_elapsed_min",
    "late_open_min",
    "kept_as_first_given",
    "kept_as_agreed",
)


@dataclass(frozen=True)
class Entry:
    """One date given. late_min, late_open: from the date to the finish, or to now where it is overdue; below 0 early.

    lead_min, lead_open: from the giving to the date. `open` counts the shop's opening hours as they are set down now;
    None where it has none. replaced: what stands in its place.
    """

    promise: Promise
    judged: Judged
    finished: datetime | None
    lead_min: float
    lead_open: float | None = None
    late_min: float | None = None
    late_open: float | None = None
    replaced: Promise | None = None

    @property
    def job(self) -> Job:
        """Whose date it is."""
        return self.promise.job

    @property
    def outcome(self) -> Outcome:
        """How it stands."""
        return self.judged.outcome

    @property
    def off(self) -> float | None:
        """By how much it was missed, below 0 how early: opening hours where the shop has any; minutes."""
        return self.late_min if self.late_open is None else self.late_open


@dataclass(frozen=True)
class Account:
    """One job: the date that stands, or stood last, and those before it, the newest first."""

    head: Entry
    history: tuple[Entry, ...]

    @property
    def outcomes(self) -> frozenset[str]:
        """What it is found under."""
        return frozenset({self.head.outcome.value, *([CHANGED] if self.changed else [])})

    @property
    def changed(self) -> bool:
        """Whether a date that stood was moved."""
        return any(one.outcome == Outcome.REPLACED for one in self.history)

    @property
    def broken_as_first(self) -> bool:
        """Whether it kept the last date, but not the one before that we moved."""
        return self.head.judged.agreed is True and any(one.judged.first is False for one in self.history)


@dataclass(frozen=True)
class Asked:
    """What the list's filters ask for; empty for everything. month: as '2026-11', of the date."""

    outcome: str = ""
    month: str = ""
    job_type: JobType | None = None
    text: str = ""

    def query(self) -> str:
        """As an address's query."""
        of_type = str(self.job_type.pk) if self.job_type else ""
        asked = {"outcome": self.outcome, "month": self.month, "type": of_type, "text": self.text}
        return urlencode({key: value for key, value in asked.items() if value})


def ledger(shop: Shop, now: datetime) -> list[Entry]:
    """Every date given up to `now` (aware), the job with the latest date first; of one job the newest first."""
    found = judged_entries(Promise.objects.of(shop).filter(made_at__lte=now), now)
    return _with_hours(shop, found, now)


def judged_entries(promises: QuerySet[Promise], now: datetime) -> list[Entry]:
    """Dates with how they turned out, as known at `now`; without the opening hours between. All dates of each job."""
    rows = promises.select_related("job__customer", "job__job_type", "made_by").defer("snapshot", "quote")
    by_job: dict[int, list[Promise]] = defaultdict(list)
    for promise in rows.order_by("made_at", "pk"):
        by_job[promise.job_id].append(promise)
    jobs = sorted(by_job.values(), key=lambda mine: (mine[-1].promised_at, mine[-1].pk), reverse=True)
    return [entry for mine in jobs for entry in reversed(_entries(mine, now))]


def _entries(mine: Sequence[Promise], now: datetime) -> list[Entry]:
    job = mine[0].job
    work = _work(job.status, job.started_at, job.finished_at, now)
    given = [Given(one.pk, one.made_at, one.promised_at, one.why_changed, one.withdrawn_at) for one in mine]
    judged = {found.key: found for found in judge(given, work, now)}
    found = []
    for place, promise in enumerate(mine):
        mark = judged[promise.pk]
        later = next((one for one in mine[place + 1 :] if one.withdrawn_at is None), None)
        end = work.finished or (now if mark.outcome == Outcome.OVERDUE else None)
        late = None if end is None else (end - promise.promised_at) / MINUTE
        lead = (promise.promised_at - promise.made_at) / MINUTE
        found.append(Entry(promise, mark, work.finished, lead, late_min=late, replaced=later))
    return found


def _work(status: str, started: datetime | None, finished: datetime | None, now: datetime) -> Work:
    """What was known of a job at `now`, but for when it was cancelled, which is not kept."""
    done = finished if status == JobStatus.FINISHED and finished is not None and finished <= now else None
    return Work(started, done, status == JobStatus.CANCELLED)


@dataclass(frozen=True)
class Passed:
    """A date that is judged as first given. level: where it was read off. quantiles: as they are kept with it."""

    key: int
    due: datetime
    level: float
    quantiles: dict[str, str]
    finished: datetime | None
    kept: bool


def passed_dates(promises: QuerySet[Promise], now: datetime) -> list[Passed]:
    """The dates that are judged as first given at `now`, by their date. Give it all dates of each job. One query."""
    names = ("pk", "made_at", "promised_at", "why_changed", "withdrawn_at")
    more = (
        "confidence",
        "level",
        "quantiles",
        "job_id",
        "job__status",
        "job__started_at",
        "job__finished_at",
    )
    by_job: dict[int, list[tuple[Any, ...]]] = defaultdict(list)
    for row in promises.order_by().values_list(*names, *more):
        by_job[row[8]].append(row)
    found = []
    for mine in by_job.values():
        status, started, done = mine[0][9:]
        work = _work(status, started, done, now)
        rows = {row[0]: row for row in mine}
        for one in judge([Given(*row[:5]) for row in mine], work, now):
            if one.first is not None:
                row = rows[one.key]
                level = row[5] if row[6] is None else row[6]
                found.append(Passed(one.key, row[2], level, row[7], work.finished, one.first))
    return sorted(found, key=lambda one: (one.due, one.key))


def _with_hours(shop: Shop, entries: list[Entry], now: datetime) -> list[Entry]:
    if not entries:
        return entries
    instants = [
        at for one in entries for at in (one.promise.made_at, one.promise.promised_at, one.finished) if at
    ]
    first, last = min(instants), max(*instants, now)
    calendar = shop_calendar(shop, first, last)
    if calendar is None:
        return entries

    def between(start: datetime, end: datetime) -> float:
        spent = calendar.work([to_minutes(first, start), to_minutes(first, end)])
        return float(spent[1] - spent[0])

    return [
        replace(
            one,
            lead_open=between(one.promise.made_at, one.promise.promised_at),
            late_open=None if one.late_min is None else between(one.promise.promised_at, one.finished or now),
        )
        for one in entries
    ]


def shop_calendar(shop: Shop, first: datetime, last: datetime) -> Calendar | None:
    """The opening hours from `first` on, which is its origin, to the day after `last`; None where it never opens."""
    days = (last - first).days + 3
    start = shop.local(first).date() - timedelta(days=1)
    closed = closed_days(shop, start, start + timedelta(days=days + 1))
    try:
        return weekly(first.astimezone(UTC), shop.time_zone, opening_hours(shop), days, closed)
    except NeverOpen:
        return None


def accounts(entries: Iterable[Entry]) -> list[Account]:
    """The dates of each job together, in the order of `ledger`."""
    by_job: dict[int, list[Entry]] = defaultdict(list)
    for entry in entries:
        by_job[entry.promise.job_id].append(entry)
    found = []
    for mine in by_job.values():
        head = next((one for one in mine if one.promise.withdrawn_at is None), mine[0])
        found.append(Account(head, tuple(one for one in mine if one is not head)))
    return found


def asked_accounts(shop: Shop, found: Iterable[Account], asked: Asked) -> list[Account]:
    """Those that the filters ask for."""
    words = asked.text.casefold().split()
    return [
        one
        for one in found
        if (not asked.outcome or asked.outcome in one.outcomes)
        and (not asked.month or asked.month == month_of(shop, one.head))
        and (asked.job_type is None or one.head.job.job_type_id == asked.job_type.pk)
        and all(word in _searched(one.head.job) for word in words)
    ]


def month_of(shop: Shop, entry: Entry) -> str:
    """The month of a date on the shop's wall clock, as '2026-11'."""
    return f"{shop.local(entry.promise.promised_at):%Y-%m}"


def months(shop: Shop, found: Iterable[Account]) -> list[tuple[str, date]]:
    """The months in which dates fall, the newest first, each with its first day."""
    keys = sorted({month_of(shop, one.head) for one in found}, reverse=True)
    return [(key, date.fromisoformat(f"{key}-01")) for key in keys]


def _searched(job: Job) -> str:
    return f"{job.number} {job.reference} {job.title} {job.customer or ''}".casefold()


def csv_rows(found: Iterable[Account]) -> Iterator[list[str]]:
    """Every date of these jobs for a spreadsheet: a head and a line each, instants in ISO 8601, UTC."""
    yield list(CSV_HEADER)
    for account in found:
        for one in (account.head, *account.history):
            yield _csv_row(one)


def _csv_row(one: Entry) -> list[str]:
    promise, job = one.promise, one.job
    return [
        str(job.number),
        plain_cell(job.title),
        plain_cell(str(job.customer or "")),
        plain_cell(job.job_type.name),
        _iso(promise.made_at),
        plain_cell(promise.made_by.get_username() if promise.made_by else ""),
        f"{promise.confidence:g}",
        f"{promise.level or promise.confidence:g}",
        str(int(promise.put_first)),
        _iso(promise.promised_at),
        _iso(one.finished),
        one.outcome.value,
        one.replaced.why_changed if one.replaced else "",
        _iso(one.replaced.made_at if one.replaced else None),
        _iso(promise.withdrawn_at),
        *["" if minutes is None else f"{minutes:.1f}" for minutes in (one.late_min, one.late_open)],
        *["" if kept is None else str(int(kept)) for kept in (one.judged.first, one.judged.agreed)],
    ]


def _iso(at: datetime | None) -> str:
    return "" if at is None else at.astimezone(UTC).isoformat()
