"""All that is known of one kind of stage: how long it takes and why, what goes wrong, and how long its holds lay."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import median

from django.db.models import QuerySet

from analytics.engine.chances import Chance
from analytics.engine.durations import default_of
from analytics.engine.forecast import Forecast
from analytics.engine.trade import PARTS, TYPICAL, Part, PartDefault, defaults_for
from analytics.models import Sample
from analytics.pictures.records import RecordsPicture, records_picture
from analytics.selectors.mishaps import Pauses, Redone, finished_stages, pauses_of, redone_of, trouble_of
from analytics.selectors.models import Learned, learned_stages
from jobs.models import Attendance, Driver, Job, Stage, StageKind
from jobs.routes import active_edges
from jobs.stock import HOLD_KEY
from shop.models import Process

LATEST = 200
"""The finished stages that the usual drivers, the picture and the table are made from."""

SHOWN = 20
"""Rows of the table of holds."""

TABLE = (0.1, 0.5, 0.8, 0.9)

PART_WORDS: Mapping[Part, str] = {"hands_on": "Hands-on", "unattended": "Machine alone"}
HOLD_WORD = "Elapsed"


@dataclass(frozen=True)
class PartLaw:
    """The forecast of one part at the shop's usual drivers.

    default_min: what the trade formula says at them; None where it has none. trouble: None for a hold.
    """

    word: str
    forecast: Forecast
    default: PartDefault
    default_min: float | None
    trouble: Chance | None

    @property
    def p50(self) -> float:
        """Minutes that half stay within."""
        return float(self.forecast.quantile(0.5))

    @property
    def p80(self) -> float:
        """Minutes that eight in ten stay within."""
        return float(self.forecast.quantile(0.8))

    @property
    def p95(self) -> float:
        """Minutes that nineteen in twenty stay within."""
        return float(self.forecast.quantile(0.95))


@dataclass(frozen=True)
class Usual:
    """What the latest stages were like: driver to its middle value, and the commonest job type; of how many."""

    n: int
    drivers: Mapping[str, float]
    job_type: str

    def words(self, kind: StageKind) -> list[str]:
        """'2.1 m²', 'Pieces 4' and the like, in the order of the keys."""
        known = {one.key: one for one in Driver.objects.of(kind.shop)}
        return [
            _driver_words(known[key], value) for key, value in sorted(self.drivers.items()) if key in known
        ]


@dataclass(frozen=True)
class Lay:
    """A hold as it was: from when to when it really lay. set_min: how long it had to; None where that was open."""

    job: Job
    begun_at: datetime
    ended_at: datetime
    set_min: int | None = None
    used: bool = True

    @property
    def minutes(self) -> float:
        """Elapsed minutes, nights and weekends too."""
        return (self.ended_at - self.begun_at) / timedelta(minutes=1)

    @property
    def is_short(self) -> bool:
        """Whether it was taken up before its set time."""
        return self.set_min is not None and self.minutes < self.set_min - 1e-6


@dataclass(frozen=True)
class KindView:
    """All that the page of a stage kind shows. finished: stages; unlearned: of them, not learned from."""

    kind: StageKind
    finished: int
    unlearned: int
    laws: Sequence[PartLaw]
    usual: Usual
    redone: Redone
    pauses: Pauses
    picture: RecordsPicture | None
    quantiles: Sequence[tuple[float, float]]
    lays: Sequence[Lay]
    processes: Sequence[Process]

    @property
    def is_set(self) -> bool:
        """Whether it is a hold whose length is set."""
        return self.kind.is_hold and (self.kind.hold_min is not None or bool(self.processes))

    @property
    def short(self) -> int:
        """Holds that were taken up before their set time."""
        return sum(lay.is_short for lay in self.lays)


def kind_view(kind: StageKind, now: datetime, known: Learned | None = None) -> KindView:
    """What is known of a stage kind at `now` (aware)."""
    known = known or learned_stages(kind.shop)
    samples = list(_latest(kind))
    usual = usual_of(samples)
    processes = list(Process.objects.of(kind.shop).filter(hold_min__gt=0)) if kind.key == HOLD_KEY else []
    lays = lays_of(kind, now) if kind.is_hold else []
    minutes = [lay.minutes for lay in lays if lay.used] if kind.is_hold else [one.minutes for one in samples]
    laws = laws_of(kind, known, usual)
    if kind.is_hold and (kind.hold_min is not None or processes):  # a set length is no forecast
        laws = [law for law in laws if not law.forecast.is_default]
    line = float(kind.hold_min) if kind.is_hold and kind.hold_min is not None else _common_set(lays)
    return KindView(
        kind=kind,
        finished=finished_stages(kind, now).count(),
        unlearned=Sample.objects.of(kind.shop).filter(kind=kind, used=False).count(),
        laws=laws,
        usual=usual,
        redone=redone_of(kind, now),
        pauses=pauses_of(kind, now),
        picture=records_picture(minutes, line=line),
        quantiles=[(p, quantile_of(minutes, p)) for p in TABLE] if minutes else [],
        lays=lays[:SHOWN],
        processes=processes,
    )


def laws_of(kind: StageKind, known: Learned, usual: Usual) -> list[PartLaw]:
    """The forecast of each part that the stage has, at the usual drivers, of nobody and no machine in particular."""
    categories = {"job_type": usual.job_type} if usual.job_type else {}
    found = []
    for part in _parts(kind, known):
        state = known.state(kind.key, part)
        default, law = default_of(state), known.forecast(kind.key, part, usual.drivers, categories)
        found.append(
            PartLaw(
                HOLD_WORD if kind.is_hold else PART_WORDS[part],
                law,
                default,
                default.minutes(usual.drivers) if default.components and law.minutes[-1] > 0.0 else None,
                None if kind.is_hold else trouble_of(state),
            )
        )
    return found


def usual_of(samples: Sequence[Sample]) -> Usual:
    """The middle of each driver among these samples, and their commonest job type; the typical ones where none are."""
    if not samples:
        return Usual(0, TYPICAL, "")
    values: dict[str, list[float]] = defaultdict(list)
    for sample in samples:
        for key, value in sample.drivers.items():
            values[key].append(float(value))
    types = Counter(str(sample.categories.get("job_type", "")) for sample in samples)
    common = min(types, key=lambda name: (-types[name], name))
    return Usual(len(samples), {key: median(found) for key, found in sorted(values.items())}, common)


def lays_of(kind: StageKind, now: datetime) -> list[Lay]:
    """The latest holds of a kind that were over by `now`, the last begun first.

    One of set length lay until what follows it began, however long that was; one that nobody has taken up lies still.
    """
    stages = finished_stages(kind, now).filter(started_at__isnull=False).select_related("job", "sample")
    rows = list(stages.order_by("-started_at", "-pk")[:LATEST])
    taken_up = _taken_up({row.job_id for row in rows if row.hold_min is not None})
    lays = []
    for row in rows:
        ended = taken_up.get(row.pk) if row.hold_min is not None else row.finished_at
        if row.started_at is not None and ended is not None and row.started_at < ended <= now:
            used = row.hold_min is not None or (hasattr(row, "sample") and row.sample.used)
            lays.append(Lay(row.job, row.started_at, ended, row.hold_min, used))
    return lays


def quantile_of(minutes: Iterable[float], p: float) -> float:
    """The least of the minutes that a share p of them stays within. Raises ValueError for none."""
    ordered = sorted(minutes)
    if not ordered:
        raise ValueError("No minutes have no quantile.")
    return ordered[max(0, math.ceil(p * len(ordered) - 1e-9) - 1)]


def _latest(kind: StageKind) -> QuerySet[Sample]:
    samples = Sample.objects.of(kind.shop).filter(kind=kind, used=True)
    return samples.order_by("-finished_at", "-stage_id")[:LATEST]


def _parts(kind: StageKind, known: Learned) -> list[Part]:
    """The parts of its minutes that a stage of this kind has."""
    if kind.attendance == Attendance.NOBODY:
        return ["unattended"]
    alone = kind.attendance == Attendance.START and defaults_for(kind.key, "unattended").usual
    return [part for part in PARTS if part == "hands_on" or alone or known.state(kind.key, part).n > 0]


def _common_set(lays: Sequence[Lay]) -> float | None:
    """The commonest set length among these holds."""
    lengths = Counter(lay.set_min for lay in lays if lay.set_min is not None)
    return float(min(lengths, key=lambda one: (-lengths[one], one))) if lengths else None


def _taken_up(jobs: Iterable[int]) -> dict[int, datetime]:
    """By stage of these jobs: when the first of the stages right after it began."""
    by_job: dict[int, list[Stage]] = defaultdict(list)
    for stage in Stage.objects.filter(job__in=list(jobs)).prefetch_related("out_edges"):
        by_job[stage.job_id].append(stage)
    found: dict[int, datetime] = {}
    for mine in by_job.values():
        begun = {stage.pk: stage.started_at for stage in mine if stage.started_at is not None}
        for link in active_edges(mine, [edge for stage in mine for edge in stage.out_edges.all()]):
            if link.after_id in begun:
                at = begun[link.after_id]
                found[link.before_id] = min(at, found.get(link.before_id, at))
    return found


def _driver_words(driver: Driver, value: float) -> str:
    number = f"{value:.3g}" if value < 100 else f"{value:.0f}"
    return f"{driver.name.lower()} {number}{f' {driver.unit}' if driver.unit else ''}"
