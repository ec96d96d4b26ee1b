"""How often dates are kept over a simulated year, and how far ahead they lie, beside two simple rules.

python -m tests.analytics.engine.year_table --shops 12 --processes 2
"""

from __future__ import annotations

import argparse
import time
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from analytics.engine.hours import Calendar
from tests.analytics.engine.year_planner import SURER, Given, Planner
from tests.analytics.engine.year_shop import a_shop

SETTLED = 28 * 1440.0
"""Minutes since the origin from which dates count: the shop begins empty."""
BUSY = (0.5, 0.65, 0.8)
RULES = ("ours", SURER, "means and a quarter", "sum of eight-in-tens")

Row = dict[str, tuple[int, int, float]]


def a_year(seed: int, level: float, days: int = 365, later: bool = True) -> Row:
    """By rule: dates given, dates kept, and how many working minutes ahead they lay in all."""
    shop = a_shop(seed, BUSY[seed % len(BUSY)])
    return tallied(Planner(shop, level, later=later).year(days), shop.calendar, days)


def tallied(given: list[Given], calendar: Calendar, days: int) -> Row:
    """The row of a ledger."""
    counted = [one for one in given if SETTLED <= one.at <= days * 1440.0]
    return {
        rule: (
            len(counted),
            sum(one.finish <= one.dates[rule] + 1e-6 for one in counted),
            float(sum(calendar.work(one.dates[rule]) - calendar.work(one.at) for one in counted)),
        )
        for rule in RULES
    }


def shares(rows: list[Row], rule: str) -> tuple[float, float, float]:
    """The share kept, the standard error of its mean over shops, and mean working hours ahead."""
    kept = np.array([row[rule][1] / max(row[rule][0], 1) for row in rows])
    dates = sum(row[rule][0] for row in rows)
    error = float(np.std(kept, ddof=1) / np.sqrt(len(kept))) if len(kept) > 1 else float("nan")
    return (
        sum(row[rule][1] for row in rows) / dates,
        error,
        sum(row[rule][2] for row in rows) / dates / 60.0,
    )


def main() -> None:
    """Print the table."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--shops", type=int, default=12)
    words.add_argument("--days", type=int, default=365)
    words.add_argument("--processes", type=int, default=2)
    words.add_argument("--first", type=int, default=1)
    words.add_argument("--levels", type=float, nargs="*", default=[0.8, 0.95])
    words.add_argument("--no-later", action="store_true")
    asked = words.parse_args()
    seeds = range(asked.first, asked.first + asked.shops)
    for level in asked.levels:
        began = time.perf_counter()
        with ProcessPoolExecutor(asked.processes) as pool:
            jobs = [pool.submit(a_year, seed, level, asked.days, not asked.no_later) for seed in seeds]
            rows = [job.result() for job in jobs]
        print(f"\nto be kept {level:.0%}: {len(rows)} shops, {time.perf_counter() - began:.0f} s")
        for seed, row in zip(seeds, rows, strict=True):
            each = ", ".join(f"{row[rule][1] / max(row[rule][0], 1):.3f}" for rule in RULES)
            print(
                f"  shop {seed:3d}, busy {BUSY[seed % len(BUSY)]:.2f}: {row['ours'][0]:4d} dates, kept {each}"
            )
        for rule in RULES:
            kept, error, ahead = shares(rows, rule)
            print(f"  {rule:22s} kept {kept:.3f} ± {error:.3f}, {ahead:.1f} working hours ahead")


if __name__ == "__main__":
    main()
