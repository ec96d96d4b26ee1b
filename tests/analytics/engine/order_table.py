"""Prints how much less late a searched order is than that of the dates, in invented shops and unseen futures.

    python -m tests.analytics.engine.order_table --instances 20 --jobs 50

Weighted lateness in hours: of the earliest date first, of the best of five simple rules (found on the search's futures
as ours is), and ours; what ours saves against the first with the paired 95 % interval; how many of the dates are kept;
and whether the test would offer it. All on futures that no search has seen, drawn from another seed.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
from numpy.typing import NDArray

from analytics.engine.book import draws
from analytics.engine.order_effect import compare
from analytics.engine.ordering import Effort, Search, dues, simple_orders
from analytics.engine.rerun import Rerun
from tests.analytics.engine.order_instances import instance

JUDGE = 4_000_000


def main() -> None:
    """The table, a line for each instance."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--instances", type=int, default=20)
    parser.add_argument("--jobs", type=int, default=50)
    parser.add_argument("--total", type=int, default=Effort().total, help="the effort of each search")
    parser.add_argument("--first", type=int, default=100, help="the first instance's seed")
    parser.add_argument("--plain", action="store_true", help="all weights 1")
    asked = parser.parse_args()
    print("instance     EDD h    rule h    ours h   saved       95 %        kept         offered  looks/s")
    rows = []
    for seed in range(asked.first, asked.first + asked.instances):
        rows.append(line(seed, asked.jobs, asked.total, asked.plain))
    by_date, rule, ours, offered = np.array(rows).T
    print(
        f"\nmean saving against EDD {np.mean(1 - ours / by_date):.1%} (least {np.min(1 - ours / by_date):.1%}), against"
        f" the best rule {np.mean(1 - ours / rule):.1%}; offered in {int(offered.sum())} of {len(rows)};"
        f" offered where it is worse: {int((offered.astype(bool) & (ours >= by_date)).sum())}"
    )


def line(seed: int, jobs: int, total: int, plain: bool) -> tuple[float, float, float, bool]:
    """Search one instance and print its line; lateness of EDD, of the best rule and of ours, and if it is offered."""
    work, weight = instance(seed, jobs)
    weight = np.ones(jobs) if plain else weight
    book = work.book()
    search, begun = Search(book, seed, weight=weight, effort=Effort(total)), time.process_time()
    for _ in search:
        pass
    speed = search.now.done / (time.process_time() - begun)
    rule = best_rule(search.rerun, weight, draws(book, runs=96, seed=seed))
    offered = compare(book, search.best, seed, weight=weight).better
    seen = compare(
        book, search.best, JUDGE + seed, weight=weight
    )  # the judge's futures are not those of the test
    rival = compare(book, rule, JUDGE + seed, weight=weight).lateness[1].mean
    before, after = (each.mean for each in seen.lateness)
    low, high = seen.saved.low / before, seen.saved.high / before
    kept = f"{seen.kept[0].mean:5.1f} -> {seen.kept[1].mean:4.1f}"
    figures = f"{before / 60:9.1f} {rival / 60:9.1f} {after / 60:9.1f} {seen.saved.mean / before:7.1%}"
    print(f"{seed:8d} {figures}  {low:5.1%} to {high:5.1%}  {kept}  {offered!s:>7} {speed:8.0f}", flush=True)
    return before, rival, after, offered


def best_rule(rerun: Rerun, weight: NDArray[np.float64], minutes: NDArray[np.float64]) -> NDArray[np.int64]:
    """The simple rule that is the least late on these futures."""
    due = dues(rerun.book)

    def late(order: NDArray[np.int64]) -> float:
        return float((weight * np.maximum(rerun.finish(order, minutes) - due, 0.0)).sum(axis=1).mean())

    return min(simple_orders(rerun.book, weight).values(), key=late)


if __name__ == "__main__":
    main()
