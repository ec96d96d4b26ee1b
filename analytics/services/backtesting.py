"""The backtest of a shop's own history."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TextIO

from analytics.engine.backtest import SHOWN, BacktestResult, ForecastRow, walk
from analytics.selectors.history import job_records
from analytics.services.learning import sweep_shop
from shop.errors import BadInput
from shop.models import Shop

HEADER = ("job", "stage", *(f"q{100 * p:02.0f}" for p in SHOWN), "actual_min", "used", "why")


def backtest_shop(shop: Shop, first: int = 5, forecasts: Path | None = None) -> BacktestResult:
    """Walk the shop's finished jobs; score from the job after the `first` finished one.

    forecasts: a CSV file to write every forecast to. Raises BadInput where there is too little history, or the
    file cannot be written; then there is no file.
    """
    if first < 0:
        raise BadInput(f"--first is {first}; give 0 or more.", field="first")
    sweep_shop(shop)
    jobs = job_records(shop)
    if not jobs:
        raise BadInput(
            f"{shop.name} has no finished job yet, so there is nothing to walk through. Finish a job on the floor "
            "page, or import a log with `manage.py import_timings FILE`.",
            field="shop",
        )
    if len(jobs) <= first:
        raise BadInput(
            f"{shop.name} has {len(jobs)} finished jobs, and forecasts were to begin after {first}. Give a smaller "
            "--first.",
            field="first",
        )
    with ExitStack() as stack:
        if forecasts is None:
            return walk(jobs, first)
        writer = csv.writer(stack.enter_context(_written(forecasts)))
        writer.writerow(HEADER)
        return walk(jobs, first, lambda row: writer.writerow(cells(row)))


def cells(row: ForecastRow) -> list[str]:
    """A forecast as a row of the CSV file: minutes to a thousandth."""
    minutes = (f"{minutes:.3f}" for minutes in (*row.quantiles, row.actual_min))
    return [row.job, row.stage, *minutes, str(int(row.used)), row.why]


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
