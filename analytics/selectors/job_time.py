"""Where one job's time went, from its intervals."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from analytics.engine.timeline import USES, Stretch, TimeTable, Use, partition, time_table
from analytics.models import Sample
from analytics.pictures.time import TimePicture, TimeSpan, time_picture
from jobs.models import Category, Interval, IntervalKind, Job, Stage

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

USE_WORDS: dict[Use, str] = {
    "setup": "Set-up",
    "hands_on": "Hands-on",
    "run": "Machine run",
    "interruption": "Interruption",
    "hold": "Hold",
    "queue": "Queue",
}


@dataclass(frozen=True)
class StageRow:
    """A stage's line of the table: minutes by use, and why the model does not learn from it, if so."""

    stage: Stage
    letter: str
    colour: int
    minutes: list[float]
    total: float
    unused: str

    @property
    def named(self) -> list[tuple[str, float]]:
        """Each use but the queue in words, with its minutes."""
        return [(USE_WORDS[use], minutes) for use, minutes in zip(USES[:-1], self.minutes, strict=True)]


@dataclass(frozen=True)
class JobTime:
    """All that the page of a job's time shows."""

    job: Job
    picture: TimePicture | None
    rows: list[StageRow]
    table: TimeTable

    @property
    def heads(self) -> list[str]:
        """The uses in words."""
        return [USE_WORDS[use] for use in USES]

    @property
    def totals(self) -> list[float]:
        """Minutes by use; they add up to the elapsed ones."""
        return [self.table.by_use[use] for use in USES]

    @property
    def totals_named(self) -> list[tuple[str, float]]:
        """The same, each with its use in words."""
        return list(zip(self.heads, self.totals, strict=True))


def job_time(job: Job, now: datetime) -> JobTime:
    """Where the job's time went until `now` (aware); open intervals count up to it."""
    stages = list(job.stages.select_related("kind").order_by("position", "pk"))
    letters = {stage.pk: _letter(i) for i, stage in enumerate(s for s in stages if not s.left_out)}
    intervals = [i for i in Interval.objects.of(job.shop).filter(stage__job=job) if i.starts_at < now]
    by_key = {stage.pk: stage for stage in stages}
    stretches = [
        Stretch(i.stage_id, _use(i, by_key[i.stage_id]), _us(i.starts_at), _us(min(i.ends_at or now, now)))
        for i in intervals
    ]
    table = time_table(partition(stretches, [stage.pk for stage in stages]))
    spans = [_span(i, by_key[i.stage_id], letters.get(i.stage_id, "?"), now) for i in intervals]
    unused = dict(Sample.objects.of(job.shop).filter(stage__job=job, used=False).values_list("stage", "why"))
    rows = [
        StageRow(
            stage,
            letters.get(stage.pk, "?"),
            stage.kind.position % 8,
            [table.by_stage[stage.pk][use] for use in USES[:-1]],
            sum(table.by_stage[stage.pk].values()),
            unused.get(stage.pk, ""),
        )
        for stage in stages
        if stage.pk in table.by_stage
    ]
    return JobTime(job, time_picture(spans, job.shop.zone), rows, table)


def time_csv_rows(found: JobTime) -> list[list[str]]:
    """The table for a spreadsheet: a head, the stages, the queue and the sums, in minutes."""
    rows = [["stage", *[f"{use}_min" for use in USES], "total_min"]]
    for row in found.rows:
        cells = [*row.minutes, 0.0, row.total]
        rows.append([row.stage.name, *[f"{minutes:.2f}" for minutes in cells]])
    rows.append(["queue", *["0.00"] * 5, *[f"{found.table.by_use['queue']:.2f}"] * 2])
    rows.append(["elapsed", *[f"{minutes:.2f}" for minutes in [*found.totals, found.table.elapsed]]])
    return rows


def _use(interval: Interval, stage: Stage) -> Use:
    if interval.kind == IntervalKind.MACHINE:
        return "run"
    if interval.kind == IntervalKind.INTERRUPTION:
        return "interruption"
    if interval.kind == IntervalKind.HOLD:
        return "hold"
    return "setup" if stage.kind.category == Category.SETUP else "hands_on"


def _span(interval: Interval, stage: Stage, letter: str, now: datetime) -> TimeSpan:
    lane = {IntervalKind.MACHINE.value: "machine", IntervalKind.HOLD.value: "hold"}.get(
        interval.kind, "hands"
    )
    return TimeSpan(
        letter=letter,
        colour=stage.kind.position % 8,
        name=stage.name,
        lane=lane,
        starts=interval.starts_at,
        ends=min(interval.ends_at or now, now),
        pause=interval.kind == IntervalKind.INTERRUPTION,
    )


def _letter(index: int) -> str:
    """A, B … Z, AA, AB …"""
    return (_letter(index // 26 - 1) if index >= 26 else "") + chr(ord("A") + index % 26)


def _us(instant: datetime) -> int:
    return (instant - EPOCH) // timedelta(microseconds=1)
