"""The cases of a shop's newest walk through its past: as arrays, as a list of the worst misses, as a file."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from urllib.parse import urlencode

import numpy as np
from django.db.models import Q, QuerySet

from analytics.engine import quality
from analytics.engine.backtest import SHOWN
from analytics.engine.quality import Cases, Floats, Ints
from analytics.models import BacktestRun, ForecastCase, RunState
from analytics.selectors.durations import Period
from jobs.models import Interval, IntervalKind, Job, JobStatus, JobType, StageKind
from jobs.selectors.jobs import plain_cell
from shop.models import Shop

WHOLE = "whole"
"""What stands for a stage where whole jobs are asked for."""
CSV_HEADER = (
    "job",
    "job_type",
    "stage",
    "finished_at",
    *(f"q{100 * p:02.0f}" for p in SHOWN),
    "actual_min",
    "planned_min",
    "pit",
    "crps_min",
    "mean_plus_quarter_crps_min",
    "past_quantiles_crps_min",
    "used",
    "why",
)


@dataclass(frozen=True)
class Asked:
    """Which cases: of a stage kind, of whole jobs, or of all stages; of a job type or all; finished in a period."""

    period: Period
    kind: StageKind | None = None
    whole: bool = False
    job_type: JobType | None = None

    @property
    def noun(self) -> str:
        """What one case is."""
        return "job" if self.whole else "stage"

    def query(self, **other: str) -> str:
        """As an address's query, with some of it otherwise."""
        stage = WHOLE if self.whole else str(self.kind.pk) if self.kind else ""
        job_type = str(self.job_type.pk) if self.job_type else ""
        asked = {"stage": stage, "type": job_type, **self.period.query, **other}
        return urlencode({key: value for key, value in asked.items() if value})


@dataclass(frozen=True)
class Loaded:
    """The cases asked for, in the order of their finish, with what they are grouped by, shape (n,) each.

    month: months since the year 0, on the shop's wall clock.
    """

    cases: Cases
    key: Ints
    kind: Ints
    job_type: Ints
    month: Ints


@dataclass(frozen=True)
class Miss:
    """One case as the list of the worst shows it. Minutes.

    outside: beyond the range that nine in ten should have fallen in, above 0 longer, below 0 shorter. happened: what
    was clocked beside the work, and for how long.
    """

    case: ForecastCase
    middle: float
    low: float
    high: float
    outside: float
    happened: list[tuple[str, float]]

    @property
    def shorter(self) -> float:
        """By how many minutes it was below the range."""
        return max(-self.outside, 0.0)


def newest_run(shop: Shop) -> BacktestRun | None:
    """The walk that ended last and was done; None where there is none."""
    return BacktestRun.objects.of(shop).filter(state=RunState.DONE).order_by("-ended_at", "-pk").first()


def finished_since(run: BacktestRun) -> int:
    """How many jobs have finished since the walk began."""
    finished = Job.objects.of(run.shop).filter(status=JobStatus.FINISHED, finished_at__gt=run.asked_at)
    return finished.count()


def asked_rows(run: BacktestRun, asked: Asked) -> QuerySet[ForecastCase]:
    """The cases asked for, used or not, in the order of their finish."""
    rows = ForecastCase.objects.of(run.shop).filter(run=run, kind__isnull=asked.whole)
    if asked.kind:
        rows = rows.filter(kind=asked.kind)
    if asked.job_type:
        rows = rows.filter(job_type=asked.job_type)
    if asked.period.first:
        rows = rows.filter(finished_at__gte=datetime.combine(asked.period.first, time(), run.shop.zone))
    if asked.period.last:
        end = asked.period.last + timedelta(days=1)
        rows = rows.filter(finished_at__lt=datetime.combine(end, time(), run.shop.zone))
    return rows.order_by("finished_at", "job_id", "pk")


def load(run: BacktestRun, asked: Asked) -> Loaded:
    """The cases asked for that are scored, as arrays."""
    names = ("job_id", "actual_min", "pit", "crps", "crps_mean", "crps_past", "planned_min")
    rows = asked_rows(run, asked).filter(used=True)
    found = list(rows.values_list("pk", "kind_id", "job_type_id", "finished_at", "quantiles", *names))
    columns = list(zip(*found, strict=True)) or [()] * (5 + len(names))
    key, kind, job_type, finished_at, quantiles, job = columns[:6]
    actual, pit, crps, crps_mean, crps_past, planned = (_minutes(column) for column in columns[6:])
    points = np.array(quantiles, float).reshape(-1, len(SHOWN))
    months = [at.year * 12 + at.month - 1 for at in map(run.shop.local, finished_at)]
    return Loaded(
        Cases(_whole(job), actual, points, pit, crps, crps_mean, crps_past, planned),
        *(_whole(column) for column in (key, kind, job_type, months)),
    )


def worst(run: BacktestRun, asked: Asked) -> list[int]:
    """Keys of the cases asked for that are scored, the worst misses first."""
    loaded = load(run, asked)
    return [int(key) for key in loaded.key[quality.worst_first(loaded.cases)]]


def misses(run: BacktestRun, keys: Sequence[int]) -> list[Miss]:
    """The cases of these keys, in this order, each with what was clocked beside the work."""
    rows = ForecastCase.objects.of(run.shop).filter(run=run, pk__in=keys)
    found = {case.pk: case for case in rows.select_related("job__customer", "job_type", "kind", "stage")}
    happened = _happened(run.shop, found.values())
    low, middle, high = (SHOWN.index(level) for level in (0.05, 0.5, 0.95))
    made = []
    for case in (found[key] for key in keys if key in found):
        q = case.quantiles
        outside = max(case.actual_min - q[high], 0.0) - max(q[low] - case.actual_min, 0.0)
        said = happened[case.job_id if case.stage_id is None else -case.stage_id]
        made.append(Miss(case, q[middle], q[low], q[high], outside, said))
    return made


def csv_rows(run: BacktestRun, asked: Asked) -> Iterator[list[str]]:
    """The cases asked for, used or not, for a spreadsheet: a head and a line each, minutes to a thousandth."""
    yield list(CSV_HEADER)
    rows = asked_rows(run, asked).select_related("job", "job_type", "kind")
    for case in rows.iterator(chunk_size=2000):
        numbers = (case.actual_min, case.planned_min, case.pit, case.crps, case.crps_mean, case.crps_past)
        yield [
            plain_cell(case.job.reference or str(case.job.number)),
            plain_cell(case.job_type.name),
            plain_cell(case.kind.name if case.kind else "job total"),
            case.finished_at.isoformat(),
            *[f"{minutes:.3f}" for minutes in case.quantiles],
            *["" if number is None else f"{number:.3f}" for number in numbers],
            str(int(case.used)),
            plain_cell(case.why),
        ]


def _happened(shop: Shop, cases: Iterable[ForecastCase]) -> dict[int, list[tuple[str, float]]]:
    """What was clocked beside the work, in words, by the stage's key below 0 and by the job's above it."""
    jobs = {case.job_id for case in cases}
    minutes: dict[tuple[int, str], float] = defaultdict(float)
    odd = Interval.objects.of(shop).filter(stage__job__in=jobs, ends_at__isnull=False)
    odd = odd.filter(Q(kind=IntervalKind.INTERRUPTION) | Q(again=True)).select_related("cause", "stage")
    for one in odd:
        word = (
            "done again" if one.again else f"interrupted: {one.cause.name if one.cause else 'no cause given'}"
        )
        for key in (one.stage.job_id, -one.stage_id):
            minutes[key, word] += (one.ends_at - one.starts_at) / timedelta(minutes=1) if one.ends_at else 0.0
    found: dict[int, list[tuple[str, float]]] = defaultdict(list)
    for (key, word), took in minutes.items():
        found[key].append((word, took))
    return found


def _whole(values: Sequence[int | None]) -> Ints:
    return np.array([value or 0 for value in values], np.int64)


def _minutes(values: Sequence[float | None]) -> Floats:
    return np.array([np.nan if value is None else value for value in values], float)
