"""The backtest of a shop's own history, from the command line."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Literal, TextIO

from analytics.engine.backtest import BacktestResult, ForecastRow, JobRecord, Options, Walk
from analytics.engine.hours import to_minutes
from analytics.selectors.history import job_records
from analytics.selectors.samples import EPOCH
from analytics.selectors.walks import HEADER
from analytics.services.learning import sweep_shop
from shop.errors import BadInput
from shop.models import Shop

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Wanted:
    """What is asked of a walk. scored_from, scored_to: days in the shop's zone, both included.

    leave_out: drivers and categories that the forecasts may not know.
    """

    first: int = 5
    scored_from: date | None = None
    scored_to: date | None = None
    leave_out: tuple[str, ...] = ()
    as_of: Literal["finish", "start"] = "finish"


def backtest_shop(
    shop: Shop,
    wanted: Wanted | None = None,
    forecasts: Path | None = None,
    progress: Progress = lambda done, total: None,
) -> BacktestResult:
    """Walk the shop's finished jobs; score from the job after the `first` finished one.

    It begins from the trade's defaults even where the shop took a prior from others: that was not known then.
    forecasts: a CSV file to write every forecast to. progress: told how many steps are done, and of how many. Raises
    BadInput where there is too little history, or the file cannot be written; then there is no file.
    """
    sweep_shop(shop)
    jobs = job_records(shop)
    walk = checked_walk(shop, jobs, wanted or Wanted())
    with ExitStack() as stack:
        write = (
            _no_row if forecasts is None else csv.writer(stack.enter_context(_written(forecasts))).writerow
        )
        write(HEADER)
        for rows in walk:
            for row in rows:
                write(cells(row))
            progress(walk.done, len(walk.steps))
    return walk.result()


def checked_walk(shop: Shop, jobs: list[JobRecord], wanted: Wanted) -> Walk:
    """A walk through a shop's finished jobs that has something to forecast. Raises BadInput."""
    check_wanted(shop, jobs, wanted)
    walk = Walk(jobs, options_of(shop, wanted))
    if len(walk.jobs) <= wanted.first or not any(
        job.finished_at >= walk.options.scored_from for job in walk.jobs[wanted.first :]
    ):
        raise BadInput(_too_few(shop, len(walk.jobs), wanted), field="first")
    return walk


def check_wanted(shop: Shop, jobs: list[JobRecord], wanted: Wanted) -> None:
    """Raises BadInput for a wish that makes no sense, naming what is wrong with it."""
    if wanted.first < 0:
        raise BadInput(f"--first is {wanted.first}; give 0 or more.", field="first")
    if wanted.scored_from and wanted.scored_to and wanted.scored_from > wanted.scored_to:
        raise BadInput(
            f"The first day, {wanted.scored_from}, is after the last, {wanted.scored_to}. Turn them round.",
            field="scored_from",
        )
    if not jobs:
        raise BadInput(
            f"{shop.name} has no finished job yet, so there is nothing to walk through. Finish a job on the floor "
            "page, or import a log with `manage.py import_timings FILE`.",
            field="shop",
        )
    known = names_known(jobs)
    unknown = [name for name in wanted.leave_out if name not in known]
    if unknown:
        raise BadInput(
            f"No stage knows a driver {unknown[0]!r} that could be left out. There is: {', '.join(known)}.",
            field="leave_out",
        )


def names_known(jobs: Iterable[JobRecord]) -> list[str]:
    """Every driver and category that any stage of these jobs has, sorted."""
    return sorted({name for job in jobs for s in job.stages for name in (*s.drivers, *s.categories)})


def options_of(shop: Shop, wanted: Wanted) -> Options:
    """The engine's words for what is wanted: instants for days."""
    begins = _midnight(shop, wanted.scored_from) if wanted.scored_from else -float("inf")
    ends = _midnight(shop, wanted.scored_to + timedelta(days=1)) if wanted.scored_to else float("inf")
    return Options(wanted.first, begins, ends, frozenset(wanted.leave_out), wanted.as_of)


def cells(row: ForecastRow) -> list[str]:
    """A forecast as a row of the CSV file: minutes to a thousandth."""
    minutes = (f"{minutes:.3f}" for minutes in (*row.quantiles, row.actual_min))
    return [row.job, row.stage, *minutes, str(int(row.used)), row.why]


def _midnight(shop: Shop, day: date) -> float:
    return to_minutes(EPOCH, datetime(day.year, day.month, day.day, tzinfo=shop.zone))


def _too_few(shop: Shop, jobs: int, wanted: Wanted) -> str:
    if wanted.scored_from or wanted.scored_to:
        return (
            f"{shop.name} has no finished job in those days to forecast after the first {wanted.first}. Give other "
            "days, or a smaller --first."
        )
    return (
        f"{shop.name} has {jobs} finished jobs, and forecasts were to begin after {wanted.first}. Give a smaller "
        "--first."
    )


def _no_row(row: Iterable[str]) -> None:
    """Nowhere to write to."""


@contextmanager
def _written(path: Path) -> Iterator[TextIO]:
    """The file, put in its place only when all of it is written."""
    part = path.with_name(f"{path.name}.part")
    try:
        with part.open("w", encoding="utf-8", newline="") as file:
            yield file
        part.replace(path)
    except OSError as error:
        raise BadInput(f"{path} cannot be written: {error.strerror}.", field="forecasts") from error
    finally:
        part.unlink(missing_ok=True)
