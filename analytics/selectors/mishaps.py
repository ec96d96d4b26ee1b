"""What goes wrong at a kind of stage: trouble, work done again, and pauses, as chances and as minutes."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from statistics import median

from django.db.models import QuerySet

from analytics.engine.chances import Chance, chance
from analytics.engine.durations import TROUBLE_WEIGHT, State
from analytics.engine.forecast import DISRUPTED
from analytics.engine.minutes import MICROSECONDS, Span, union
from analytics.selectors.samples import EPOCH
from analytics.selectors.signs import Row, rows_of
from jobs.models import Cause, Interval, IntervalKind, Stage, StageKind, StageState
from jobs.selectors.again import CauseTotal, remakes, totals_by_cause

REMADE = 0.05
"""How often a stage is done again before the shop's own are counted: one in twenty. Common practice, no source."""

REMADE_WEIGHT = 10.0
"""What that weighs, in finished stages."""


@dataclass(frozen=True)
class Redone:
    """How often and how long a kind of stage is done again.

    begun_here: of the stages done again, those that were gone back to; the others came after one that was.
    ratio: minutes of doing again over clean minutes, the median of the stages done again; None for none.
    causes: of the times that it was gone back to a stage of this kind, the one with the most minutes first.
    """

    chance: Chance
    begun_here: int
    ratio: float | None
    causes: Sequence[CauseTotal] = field(default_factory=tuple)

    @property
    def begun_before(self) -> int:
        """Stages done again because an earlier one was."""
        return round(self.chance.seen) - self.begun_here


@dataclass
class PauseTotal:
    """The pauses for one cause (empty: none was given): how many, at how many stages, and their minutes."""

    cause: str
    minutes: list[float] = field(default_factory=list)
    stages: set[int] = field(default_factory=set)

    @property
    def times(self) -> int:
        """How many pauses."""
        return len(self.minutes)

    @property
    def total(self) -> float:
        """Their minutes together."""
        return sum(self.minutes)

    @property
    def usual(self) -> float:
        """The median of their minutes."""
        return median(self.minutes)


@dataclass(frozen=True)
class Pauses:
    """The pauses at the finished stages of a kind. stages: at how many of them; the causes, most minutes first."""

    of: int
    stages: int
    causes: Sequence[PauseTotal]

    @property
    def per_stage(self) -> float:
        """Minutes of pause for each finished stage, paused or not."""
        return sum(one.total for one in self.causes) / self.of if self.of else 0.0


def finished_stages(kind: StageKind, now: datetime) -> QuerySet[Stage]:
    """The stages of a kind that were finished by `now`, those not learned from included."""
    return Stage.objects.of(kind.shop).filter(
        kind=kind, state=StageState.FINISHED, finished_at__lte=now, left_out=False
    )


def trouble_of(state: State) -> Chance:
    """How likely a stage is to run into trouble: to take about twice as long as it otherwise would have."""
    seen, of = state.disrupted
    of = max(of, 0.0)
    return chance(min(max(seen, 0.0), of), of, prior=DISRUPTED, weight=TROUBLE_WEIGHT)


def redone_of(kind: StageKind, now: datetime) -> Redone:
    """How often the stages of a kind that were finished by `now` were done again, why, and for how long."""
    finished = set(finished_stages(kind, now).values_list("pk", flat=True))
    worked = (IntervalKind.HANDS_ON, IntervalKind.MACHINE)
    touched = Interval.objects.of(kind.shop).filter(stage__kind=kind, again=True, kind__in=worked)
    again = finished & set(touched.order_by().values_list("stage", flat=True))
    rows = rows_of(Interval.objects.of(kind.shop).filter(stage__in=again, kind__in=worked))
    here = [one for one in remakes(kind.shop, now) if one.back_to.kind_id == kind.pk]
    return Redone(
        chance(len(again), len(finished), prior=REMADE, weight=REMADE_WEIGHT),
        len(again & {one.back_to.pk for one in here}),
        ratio_of(rows),
        totals_by_cause(here),
    )


def ratio_of(rows: Iterable[Row]) -> float | None:
    """The median over stages of minutes done again over clean minutes, by their ended intervals."""
    spans: Mapping[bool, dict[int, list[Span]]] = {True: defaultdict(list), False: defaultdict(list)}
    for row in rows:
        if row.ends is not None:
            ends = [round((at - EPOCH).total_seconds() * 1_000_000) for at in (row.starts, row.ends)]
            spans[row.again][row.stage].append(Span(ends[0], ends[1], row.kind == IntervalKind.HANDS_ON))
    ratios = [
        union(mine) / clean for stage, mine in spans[True].items() if (clean := union(spans[False][stage]))
    ]
    return median(ratios) if ratios else None


def pauses_of(kind: StageKind, now: datetime) -> Pauses:
    """The ended pauses at the stages of a kind that were finished by `now`, by cause."""
    finished = finished_stages(kind, now)
    names = dict(Cause.objects.of(kind.shop).values_list("pk", "name"))
    rows = rows_of(
        Interval.objects.of(kind.shop).filter(
            stage__in=finished.values("pk"), kind=IntervalKind.INTERRUPTION, ends_at__isnull=False
        )
    )
    totals: dict[int | None, PauseTotal] = {}
    for row in rows:
        assert row.ends is not None  # noqa: S101 - it was asked for
        one = totals.setdefault(row.cause, PauseTotal(names.get(row.cause or 0, "")))
        one.minutes.append((row.ends - row.starts).total_seconds() * 1_000_000 / MICROSECONDS)
        one.stages.add(row.stage)
    causes = sorted(totals.values(), key=lambda one: (-one.total, one.cause))
    return Pauses(finished.count(), len({row.stage for row in rows}), causes)
