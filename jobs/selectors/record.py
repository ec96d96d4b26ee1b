"""The record of one job's clock: what was pressed, what became of it, and what was put right."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from uuid import UUID

from django.db.models import Q

from jobs.models import ClockEvent, Correction, Interval, IntervalKind, Job, Stage, TapKind
from jobs.pictures.record import RecordPicture, RecordSpan, Row, day_picture, days_of
from jobs.selectors.jobs import plain_cell
from jobs.services.job_clock import job_clock
from jobs.words.record import ahead_words, event_words, late_words
from shop.models import Device, Shop, User
from shop.templatetags.shop_time import shop_time
from shop.words import say_clock, say_short_day

NARROW, WIDE = 336.0, 900.0
"""A picture for a phone and one for anything wider, px."""

OWN_DEVICES = {"page": "this program's own page", "record": "the record"}


@dataclass(frozen=True)
class RecordLine:
    """One event as it is read. gone: why it no longer counts; marks: what else there is to know of it."""

    event: ClockEvent
    words: str
    counts: bool
    gone: str = ""
    marks: list[str] = field(default_factory=list)

    @property
    def can_move(self) -> bool:
        """Whether its time can be put right."""
        return self.counts and self.event.kind != TapKind.VOUCH


@dataclass(frozen=True)
class RecordDay:
    """One local day: its pictures, for a phone and wider, and what was pressed on it."""

    day: date
    narrow: RecordPicture | None
    wide: RecordPicture | None
    lines: list[RecordLine]


@dataclass(frozen=True)
class Difference:
    """One stage of a correction, before and after: the intervals that differ, and the minutes."""

    stage: str
    before: list[dict[str, str]]
    after: list[dict[str, str]]
    states: tuple[str, str]
    minutes: tuple[float, float]


@dataclass(frozen=True)
class CorrectionLine:
    """A correction as it is read."""

    correction: Correction
    by: str
    differences: list[Difference]
    undone: bool


@dataclass(frozen=True)
class Record:
    """All that the page of a job's clock shows."""

    days: list[RecordDay]
    corrections: list[CorrectionLine]
    stages: list[Stage]

    @property
    def empty(self) -> bool:
        """Whether nothing was ever pressed."""
        return not self.days and not self.corrections


def record_of(job: Job, now: datetime, stage: int | None = None) -> Record:
    """The record of a job, or of one of its stages, up to `now` (aware)."""
    shop, stages = job.shop, list(job.stages.select_related("kind").order_by("position", "pk"))
    shown = [one for one in stages if stage in (None, one.pk)]
    lines = _lines(job, {one.pk for one in shown}, now)
    rows, devices = _rows(shop, shown, now), _devices(shop)
    days = {*days_of((span for row in rows for span in row.spans), shop.zone), *lines}
    return Record(
        [_day(rows, day, shop, lines.get(day, [])) for day in sorted(days)],
        [_correction_line(one, shop, devices) for one in corrections_of(job)],
        stages,
    )


def day_of(job: Job, day: date, now: datetime) -> RecordDay:
    """One local day of a job as its clock has it; only its pictures, without what was pressed."""
    stages = list(job.stages.select_related("kind").order_by("position", "pk"))
    return _day(_rows(job.shop, stages, now), day, job.shop, [])


def _day(rows: Sequence[Row], day: date, shop: Shop, lines: list[RecordLine]) -> RecordDay:
    narrow, wide = (day_picture(rows, day, shop.zone, width) for width in (NARROW, WIDE))
    return RecordDay(day, narrow, wide, lines)


def line_of(job: Job, key: UUID, now: datetime) -> RecordLine | None:
    """One event of a job as it is read."""
    for line in _all_lines(job, now):
        if line.event.pk == key:
            return line
    return None


def corrections_of(job: Job) -> list[Correction]:
    """A job's corrections, the latest first."""
    rows = Correction.objects.of(job.shop).filter(job=job)
    return list(rows.select_related("by", "job", "undoes", "undone_by").order_by("-at", "-pk"))


def record_csv_rows(job: Job, now: datetime) -> Iterator[list[str]]:
    """The record for a spreadsheet, a line for each event, in the order in which they happened."""
    yield [
        "at", "kind", "stage", "to_stage", "person", "machine", "cause", "element", "until", "hands_on_min",
        "scrapped", "wasted_m", "counts", "why_not", "marks", "device_at", "received_at", "device", "correction",
        "reason", "corrected_by", "note", "id",
    ]  # fmt: skip
    for line in _all_lines(job, now):
        event, made = line.event, line.event.correction
        yield [
            plain_cell(cell)
            for cell in (
                _iso(job.shop, event.at),
                event.kind,
                event.stage.name,
                _name(event.to_stage),
                _name(event.person),
                _name(event.machine),
                _name(event.cause),
                _name(event.element),
                _iso(job.shop, event.until),
                "" if event.hands_on_min is None else f"{event.hands_on_min:g}",
                "" if event.scrapped is None else str(event.scrapped),
                "" if event.wasted_m is None else f"{event.wasted_m:g}",
                "yes" if line.counts else "no",
                line.gone,
                "; ".join(line.marks),
                _iso(job.shop, event.device_at),
                _iso(job.shop, event.received_at),
                event.device,
                made.get_kind_display() if made else "",
                made.reason if made else "",
                _name(made.by) if made else "",
                event.note,
                str(event.pk),
            )
        ]


def _lines(job: Job, stages: set[int], now: datetime) -> dict[date, list[RecordLine]]:
    """The lines of these stages by local day."""
    by_day: dict[date, list[RecordLine]] = defaultdict(list)
    for line in _all_lines(job, now):
        made = line.event.correction
        if not line.counts and made is not None and hasattr(made, "undone_by"):
            continue  # the list of corrections has what was put right and undone again
        if stages & {line.event.stage_id, line.event.to_stage_id}:
            by_day[job.shop.local(line.event.at).date()].append(line)
    return by_day


def _all_lines(job: Job, now: datetime) -> list[RecordLine]:
    """Every event of the job but those that only take others back, in the order in which they happened."""
    here = Q(stage__job=job) | Q(to_stage__job=job)
    rows = (
        ClockEvent.objects.of(job.shop)
        .filter(here)
        .select_related("stage", "to_stage", "person", "machine", "cause", "element", "recorded_by")
        .select_related("correction__by", "correction__undone_by")
        .order_by("at", "received_at", "id")
    )
    events = list(rows)
    counts = {event.id for event in job_clock(job).counting}
    by_corrected: dict[UUID, list[ClockEvent]] = defaultdict(list)
    for event in events:
        if event.corrects:
            by_corrected[event.corrects].append(event)
    devices = _devices(job.shop)
    return [
        RecordLine(
            event,
            event_words(event, job.shop),
            event.pk in counts,
            "" if event.pk in counts else _gone(job.shop, by_corrected[event.pk], devices),
            list(_marks(event, devices)),
        )
        for event in events
        if event.kind != TapKind.VOID
    ]


def _devices(shop: Shop) -> dict[int, str]:
    """What the log-ins of devices are called by people."""
    return dict(Device.objects.of(shop).values_list("user", "name"))


def _login(user: User | None, devices: Mapping[int, str]) -> str:
    return devices.get(user.pk) or str(user) if user else ""


def _gone(shop: Shop, correctors: Sequence[ClockEvent], devices: Mapping[int, str]) -> str:
    """Why an event no longer counts: by whom, when and for what reason."""
    if not correctors:
        return "Does not count"
    last = max(correctors, key=lambda event: (event.received_at, event.pk))
    made = last.correction
    when = shop_time(made.at if made else last.received_at, shop)
    by = _login(made.by, devices) if made else _name(last.person) or _login(last.recorded_by, devices)
    what = made.get_kind_display() if made else "Taken back"
    name = f" by {by}" if by else ""
    why = f": {made.reason}" if made else ""
    return f"{what}{name}, {when}{why}"


def _marks(event: ClockEvent, devices: Mapping[int, str]) -> Iterator[str]:
    made = event.correction
    if made is None and event.kind != TapKind.SITTING:
        on = devices.get(event.recorded_by_id or 0) or OWN_DEVICES.get(event.device) or _short(event.device)
        if words := ahead_words(event.at, event.device_at, on):
            yield words
        if words := late_words(event.at, event.received_at):
            yield words
    if event.name_unproven:
        yield "name taken without PIN"
    if made is not None:
        by = f" by {_login(made.by, devices)}" if made.by else ""
        yield f"{made.get_kind_display().lower()}{by}: {made.reason}"
    elif event.kind == TapKind.SITTING:
        yield "from an imported log"
    if event.note:
        yield f"“{event.note}”"


def _short(device: str) -> str:
    return f"device {device[-4:]}" if device else ""


def _rows(shop: Shop, stages: Sequence[Stage], now: datetime) -> list[Row]:
    """The stages on which anything was clocked, with their intervals up to `now`."""
    by_stage: dict[int, list[RecordSpan]] = defaultdict(list)
    rows = Interval.objects.of(shop).filter(stage__in=stages).select_related("person", "machine", "cause")
    for row in rows:
        who = {"machine": row.machine, "interruption": row.cause}.get(row.kind, row.person)
        ends = row.ends_at or now
        if ends > row.starts_at:
            span = RecordSpan(row.kind, row.starts_at, ends, _name(who), row.ends_at is None, row.again)
            by_stage[row.stage_id].append(span)
    return [Row(one.name, one.kind.position % 8, by_stage[one.pk]) for one in stages if by_stage[one.pk]]


def _correction_line(correction: Correction, shop: Shop, devices: Mapping[int, str]) -> CorrectionLine:
    before = {(one.get("job"), one["stage"]): one for one in correction.before}
    differences, today = [], shop.local(correction.at).date()
    for after in correction.after:
        old = before.get((after.get("job"), after["stage"]), after)
        elsewhere = f" of job {after['job']}" if after.get("job") not in (None, correction.job.number) else ""
        differences.append(
            Difference(
                f"{after['stage']}{elsewhere}",
                [_interval(one, shop, today) for one in old["intervals"] if one not in after["intervals"]],
                [_interval(one, shop, today) for one in after["intervals"] if one not in old["intervals"]],
                (old["state"], after["state"]),
                (old["hands_on_min"], after["hands_on_min"]),
            )
        )
    by = _login(correction.by, devices)
    return CorrectionLine(correction, by, differences, hasattr(correction, "undone_by"))


def _interval(kept: Mapping[str, str | None], shop: Shop, today: date) -> dict[str, str]:
    """One interval of a correction in words: 'Hands-on, Ann' and 'Mon 2 Mar, 08:03:12 to 08:15:12'."""
    starts, ends = (
        shop.local(datetime.fromisoformat(at)) if at else None for at in (kept["starts_at"], kept["ends_at"])
    )
    what = ", ".join(part for part in (IntervalKind(kept["kind"] or "").label, kept["who"]) if part)
    until = "now" if ends is None else say_clock(ends, seconds=True)
    if starts and ends and starts.date() != ends.date():
        until = f"{say_short_day(ends.date(), today)}, {until}"
    if starts is None:
        return {"what": what, "when": ""}
    since = f"{say_short_day(starts.date(), today)}, {say_clock(starts, seconds=True)}"
    return {"what": what, "when": f"{since} to {until}"}


def _iso(shop: Shop, at: datetime | None) -> str:
    return shop.local(at).isoformat(timespec="milliseconds") if at else ""


def _name(row: object) -> str:
    return "" if row is None else str(row)
