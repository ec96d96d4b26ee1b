"""What the pages of walks through the past show: how far each is, and what its scores say."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.db.models import QuerySet

from analytics.engine.backtest import ALL, JOB_TOTAL, SHOWN
from analytics.models import BacktestRun, ForecastCase, RunState, Sample
from jobs.models import Driver
from shop.models import Shop

HEADER = ("job", "stage", *(f"q{100 * p:02.0f}" for p in SHOWN), "actual_min", "used", "why")
"""The columns of a file of forecasts."""

LISTED = 30
RECENT = 500
"""So many of the newest samples are looked at for what they know."""

USUAL_SECONDS = 0.05
"""What a job of a walk takes until one has been timed here."""

TIMED = 10
"""So many jobs of a walk tell how fast it goes; the first ones are slow."""

WORDS = {"job_type": "Job type", "person": "Person", "machine": "Machine"}


@dataclass(frozen=True)
class Progress:
    """How far a walk is. share: 0..1. left: seconds until its end, as fast as until now; None: nobody can say."""

    done: int
    total: int
    share: float
    left: float | None


@dataclass(frozen=True)
class Group:
    """A group's scores. Errors in minutes: of the forecasts, of the mean and a quarter, of the past's quantiles.

    coverage: at 0.5, 0.8 and 0.95. width: from P5 to P95, minutes.
    """

    name: str
    n: int
    ours: float
    mean: float
    past: float
    coverage: Sequence[float]
    width: float


def walk_runs(shop: Shop) -> QuerySet[BacktestRun]:
    """A shop's walks, the newest first, without what is large."""
    return BacktestRun.objects.of(shop).select_related("asked_by").defer("checkpoint")


def progress_of(run: BacktestRun) -> Progress:
    """How far a walk is."""
    share = run.done / run.total if run.total else 0.0
    left = None
    if run.state in (RunState.WANTED, RunState.RUNNING):
        left = seconds_for(run.shop, run.total - run.done)
        if run.done >= TIMED and run.started_at and run.beat_at:
            spent = (run.beat_at - run.started_at).total_seconds()
            left = spent / run.done * (run.total - run.done)
    return Progress(run.done, run.total, share, left)


def seconds_for(shop: Shop, jobs: int) -> float:
    """How long a walk through so many jobs takes, as the last that came to its end did."""
    last = walk_runs(shop).filter(state=RunState.DONE, done__gt=0).first()
    if last is None or last.started_at is None or last.ended_at is None:
        return jobs * USUAL_SECONDS
    return (last.ended_at - last.started_at).total_seconds() / last.done * jobs


def may_be_left_out(shop: Shop) -> list[tuple[str, str]]:
    """What the newest samples know, as key and name: drivers and categories."""
    newest = Sample.objects.of(shop).order_by("-finished_at").values_list("drivers", "categories")[:RECENT]
    keys = {key for known in newest for part in known for key in part}
    names = {**WORDS, **dict(Driver.objects.of(shop).values_list("key", "name"))}
    return sorted(((key, names.get(key, key)) for key in keys), key=lambda pair: pair[1].casefold())


def names_of(shop: Shop, keys: Sequence[str]) -> list[str]:
    """Drivers and categories in the shop's words."""
    names = {**WORDS, **dict(Driver.objects.of(shop).filter(key__in=keys).values_list("key", "name"))}
    return [names.get(key, key) for key in keys]


def groups_of(scores: Mapping[str, Mapping[str, Any]]) -> list[Group]:
    """The groups that have cases: all of them together, then the one with the most."""
    found = [_group(name, score) for name, score in scores.items() if score["n"]]
    return sorted(found, key=lambda group: (group.name != ALL, -group.n, group.name))


def forecast_rows(run: BacktestRun) -> Iterator[list[str]]:
    """A walk's forecasts as rows of text, a heading first, as `manage.py backtest --forecasts` writes them."""
    yield list(HEADER)
    cases = ForecastCase.objects.filter(run=run).order_by("pk")
    fields = ("job__reference", "job__number", "kind__name", "quantiles", "actual_min", "used", "why")
    for reference, number, kind, quantiles, actual, used, why in cases.values_list(*fields).iterator():
        minutes = (f"{value:.3f}" for value in (*quantiles[: len(SHOWN)], actual))
        yield [reference or str(number), kind or JOB_TOTAL, *minutes, str(int(used)), why]


def _group(name: str, score: Mapping[str, Any]) -> Group:
    simple = score["baselines"]
    return Group(
        name,
        score["n"],
        score["crps_min"],
        simple["mean_plus_quarter"]["crps_min"],
        simple["past_quantiles"]["crps_min"],
        [score["coverage"][level] for level in ("0.5", "0.8", "0.95")],
        score["width90_min"],
    )
