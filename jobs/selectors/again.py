"""Work done again: what, from where, why, what it wasted, and how long the doing again took."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from uuid import UUID

from django.db.models import QuerySet

from jobs.clock.events import counting
from jobs.clock.redoing import affected
from jobs.models import Cause, ClockEvent, Interval, IntervalKind, Job, Stage, TapKind
from jobs.routes import active_edges
from jobs.selectors.clock import with_correctors
from jobs.selectors.jobs import plain_cell
from jobs.services.clock_reach import event_of
from shop.models import Media, Shop


@dataclass
class Remake:
    """One time that work was to be done again. Minutes: clocked on it since, hands-on and of machines.

    wasted_m: metres of roll; wasted_m2 and film_cost: None where the job's film, or its price, is not known.
    """

    id: UUID
    at: datetime
    job: Job
    noticed: Stage
    back_to: Stage
    cause: Cause | None
    scrapped: int | None
    wasted_m: float | None
    note: str
    person: str
    hands_min: float = 0.0
    machine_min: float = 0.0

    @property
    def minutes(self) -> float:
        """Hands-on and machine minutes together."""
        return self.hands_min + self.machine_min

    @property
    def wasted_m2(self) -> float | None:
        """Film wasted, m²: the length by the width of the job's film."""
        media: Media | None = self.job.media
        return None if self.wasted_m is None or media is None else self.wasted_m * media.width_mm / 1000

    @property
    def film_cost(self) -> Decimal | None:
        """What that film cost, in the shop's currency."""
        area, media = self.wasted_m2, self.job.media
        if area is None or media is None or not media.price_per_m2:
            return None
        return Decimal(str(area)) * media.price_per_m2


@dataclass
class CauseTotal:
    """What one cause (None: none was given) came to. Metres of film, square metres where known, minutes."""

    cause: Cause | None
    times: int = 0
    scrapped: int = 0
    wasted_m: float = 0.0
    wasted_m2: float = 0.0
    film_cost: Decimal = Decimal(0)
    hands_min: float = 0.0
    machine_min: float = 0.0

    @property
    def minutes(self) -> float:
        """Hands-on and machine minutes together."""
        return self.hands_min + self.machine_min

    def add(self, one: Remake) -> None:
        """Count one in."""
        self.times += 1
        self.scrapped += one.scrapped or 0
        self.wasted_m += one.wasted_m or 0.0
        self.wasted_m2 += one.wasted_m2 or 0.0
        self.film_cost += one.film_cost or Decimal(0)
        self.hands_min += one.hands_min
        self.machine_min += one.machine_min


def remakes(
    shop: Shop,
    now: datetime,
    *,
    since: datetime | None = None,
    until: datetime | None = None,
    job: Job | None = None,
) -> list[Remake]:
    """Every re-make that counts and was noticed from `since` on and before `until`; the latest first.

    now: up to when minutes that still run are counted.
    """
    pressed = ClockEvent.objects.of(shop).filter(kind=TapKind.AGAIN)
    if job is not None:
        pressed = pressed.filter(stage__job=job)
    rows = _counting(shop, pressed)
    found = [_remake(row) for row in rows]
    _minutes_add(shop, found, now)
    kept = [r for r in found if (since is None or r.at >= since) and (until is None or r.at < until)]
    return sorted(kept, key=lambda one: (one.at, one.id), reverse=True)


def totals_by_cause(found: Iterable[Remake]) -> list[CauseTotal]:
    """What each cause came to; the one with the most minutes first."""
    by_cause: dict[int | None, CauseTotal] = {}
    for one in found:
        key = one.cause.pk if one.cause else None
        by_cause.setdefault(key, CauseTotal(one.cause)).add(one)
    return sorted(by_cause.values(), key=lambda t: (-t.minutes, -t.times, str(t.cause)))


def total(found: Iterable[Remake]) -> CauseTotal:
    """What all of them came to together."""
    whole = CauseTotal(None)
    for one in found:
        whole.add(one)
    return whole


CSV_HEADER = (
    "noticed_at", "job", "title", "noticed_at_stage", "again_from", "cause", "pieces", "film_wasted_m",
    "film_wasted_m2", "film_cost", "hands_on_min", "machine_min", "person", "note",
)  # fmt: skip


def again_csv_rows(found: Sequence[Remake]) -> Iterator[list[str]]:
    """The re-makes as rows of text for a spreadsheet; instants ISO 8601 UTC, metric units, minutes."""
    yield list(CSV_HEADER)
    for one in found:
        cells = [
            one.at.isoformat(),
            str(one.job.number),
            one.job.title,
            one.noticed.name,
            one.back_to.name,
            one.cause.name if one.cause else "",
            "" if one.scrapped is None else str(one.scrapped),
            "" if one.wasted_m is None else f"{one.wasted_m:g}",
            "" if one.wasted_m2 is None else f"{one.wasted_m2:.2f}",
            "" if one.film_cost is None else f"{one.film_cost:.2f}",
            f"{one.hands_min:.1f}",
            f"{one.machine_min:.1f}",
            one.person,
            one.note,
        ]
        yield [plain_cell(cell) for cell in cells]


def _counting(shop: Shop, pressed: QuerySet[ClockEvent]) -> list[ClockEvent]:
    """Those of the events that count: not taken back, and of several that stand for one, the last."""
    wanted = pressed.select_related("cause", "person", "stage", "to_stage", "stage__job__media")
    rows = {row.pk: row for row in wanted}
    stand = counting(map(event_of, with_correctors(shop, rows.values()).values()))
    return [rows[event.id] for event in stand if event.id in rows]


def _remake(row: ClockEvent) -> Remake:
    return Remake(
        id=row.pk,
        at=row.at,
        job=row.stage.job,
        noticed=row.stage,
        back_to=row.to_stage or row.stage,
        cause=row.cause,
        scrapped=row.scrapped,
        wasted_m=row.wasted_m,
        note=row.note,
        person=row.person.name if row.person else "",
    )


def _minutes_add(shop: Shop, found: Sequence[Remake], now: datetime) -> None:
    """Give each re-make the minutes done again of the stages that it took in, from it up to the next that did."""
    by_job: dict[int, list[Remake]] = defaultdict(list)
    for one in sorted(found, key=lambda one: one.at):
        by_job[one.job.pk].append(one)
    follows = _follows(shop, list(by_job))
    stages = {one.id: affected(one.noticed.pk, one.back_to.pk, follows.get(one.job.pk, {})) for one in found}
    kinds = (IntervalKind.HANDS_ON, IntervalKind.MACHINE)
    rows = Interval.objects.of(shop).filter(stage__job__in=list(by_job), again=True, kind__in=kinds)
    for stage, job, kind, starts, ends in rows.values_list(
        "stage_id", "stage__job_id", "kind", "starts_at", "ends_at"
    ):
        mine = [r for r in by_job[job] if r.at <= starts and stage in stages[r.id]]
        if not mine:
            continue
        minutes = max(((ends or now) - starts) / timedelta(minutes=1), 0.0)
        if kind == IntervalKind.HANDS_ON:
            mine[-1].hands_min += minutes
        else:
            mine[-1].machine_min += minutes


def _follows(shop: Shop, jobs: Sequence[int]) -> dict[int, Mapping[int, tuple[int, ...]]]:
    """By job: the stages right after each stage, those left out skipped."""
    by_job: dict[int, list[Stage]] = defaultdict(list)
    for stage in Stage.objects.of(shop).filter(job__in=jobs).prefetch_related("out_edges"):
        by_job[stage.job_id].append(stage)
    found: dict[int, Mapping[int, tuple[int, ...]]] = {}
    for key, mine in by_job.items():
        after: dict[int, tuple[int, ...]] = {}
        for link in active_edges(mine, [edge for stage in mine for edge in stage.out_edges.all()]):
            after[link.before_id] = (*after.get(link.before_id, ()), link.after_id)
        found[key] = after
    return found
