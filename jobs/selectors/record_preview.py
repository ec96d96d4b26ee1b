"""What a correction would change, for people to look at before it is saved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from jobs.clock import Span
from jobs.models import Interval, IntervalKind, Job, Stage, StageState
from jobs.pictures.record import RecordPicture, RecordSpan, Row, both_picture
from jobs.services.change_effect import Effect, Names, Part, StageChange
from jobs.services.corrections import new_elements
from jobs.sheets import SheetElement, minutes_words

NARROW, WIDE = 336.0, 900.0


@dataclass(frozen=True)
class Amount:
    """Minutes of one kind, before and after."""

    word: str
    before: float
    after: float


@dataclass(frozen=True)
class StagePreview:
    """One stage that would change. states: before and after."""

    name: str
    narrow: RecordPicture | None
    wide: RecordPicture | None
    amounts: list[Amount]
    states: tuple[str, str]


@dataclass(frozen=True)
class Preview:
    """All that would change. crowds: machines that would have too much at once, in words."""

    stages: list[StagePreview]
    crowds: list[str]
    elsewhere: bool


@dataclass(frozen=True)
class SheetRow:
    """One element of a sheet as it was read. new: the kind of stage has no such element yet."""

    name: str
    length: str
    starts: datetime
    ends: datetime
    new: bool


def preview_of(effect: Effect, job: Job, now: datetime) -> Preview:
    """An effect, drawn and added up."""
    stages = [_stage(change, effect.names, job, now) for change in effect.changes]
    return Preview(stages, effect.crowds, any(change.stage.job_id != job.pk for change in effect.changes))


def sheet_rows(elements: tuple[SheetElement, ...], stage: Stage | None) -> list[SheetRow]:
    """The elements of a sheet as they were read."""
    new = {name.lower() for name in new_elements(stage.kind, elements)} if stage else set()
    return [
        SheetRow(one.name, minutes_words(one.length), one.starts, one.ends, one.name.lower() in new)
        for one in elements
    ]


def stretch_of(job: Job, stage: Stage | None) -> Interval | None:
    """The stretch that is most likely meant: the last that lasts or was worked on."""
    rows = Interval.objects.of(job.shop).filter(stage__job=job, kind=IntervalKind.HANDS_ON)
    if stage is not None:
        rows = rows.filter(stage=stage)
    return rows.select_related("stage", "person").order_by("-starts_at").first()


def _stage(change: StageChange, names: Names, job: Job, now: datetime) -> StagePreview:
    stage = change.stage
    elsewhere = "" if stage.job_id == job.pk else f" of job {stage.job.number}"
    colour = stage.kind.position % 8
    before, after = (_near(part, other) for part, other in _sides(change))
    rows = [
        Row("Before", colour, _spans(before, names, now)),
        Row("After", colour, _spans(after, names, now)),
    ]
    amounts = [
        Amount(word, change.before.minutes(kind, now), change.after.minutes(kind, now))
        for kind, word in (
            ("hands_on", "Hands-on"),
            ("machine", "Machine run"),
            ("interruption", "Interruption"),
        )
    ]
    return StagePreview(
        f"{stage.name}{elsewhere}",
        both_picture(rows, job.shop.zone, NARROW),
        both_picture(rows, job.shop.zone, WIDE),
        [one for one in amounts if one.before or one.after],
        (StageState(change.before.fold.state).label, StageState(change.after.fold.state).label),
    )


def _sides(change: StageChange) -> list[tuple[Part, Part]]:
    return [(change.before, change.after), (change.after, change.before)]


def _near(part: Part, other: Part) -> list[Span]:
    """The spans of the stretch of time in which the two sides differ; all, where they do not."""
    differ = set(part.spans) ^ set(other.spans)
    if not differ:
        return list(part.spans[-8:])
    first = min(span.starts for span in differ)
    ends = [span.ends for span in differ]
    last = None if None in ends else max(end for end in ends if end is not None)
    return [
        span
        for span in part.spans
        if (span.ends is None or span.ends >= first) and (last is None or span.starts <= last)
    ]


def _spans(spans: Sequence[Span], names: Names, now: datetime) -> list[RecordSpan]:
    return [
        RecordSpan(
            span.kind,
            span.starts,
            max(span.ends or now, span.starts),
            names.who(span),
            span.ends is None,
            span.again,
        )
        for span in spans
        if (span.ends or now) > span.starts
    ]
