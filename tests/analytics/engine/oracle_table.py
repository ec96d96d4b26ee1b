"""Prints how near forecasts come to what is knowable, on invented shops whose truth is known.

    python -m tests.analytics.engine.oracle_table --shops 30 --size 200 --processes 2 --hard --drift

Each figure is the mean over shops of the shop's own, with its standard error. CRPS of a shop is the mean over the
stages of the fresh jobs, in minutes, and so most of it is that of the long stages. Two versions of the engine see the
same shops and are scored on the same jobs: `--keep FILE` with one, `--beside FILE` with the other.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from analytics.engine.backtest import Learner
from tests.analytics.engine.invented_truth import PRESETS, Truth
from tests.analytics.engine.oracle import (
    DRIFT_AT,
    FRESH,
    JOBS,
    POINTS,
    STAGES,
    NewLearner,
    Scores,
    drift_scores,
    walk_scores,
)
from tests.analytics.engine.oracle_across import (
    OTHER_JOBS,
    OTHER_SEEDS,
    learned_shop,
    priors_of,
    starting_from,
)

Floats = NDArray[np.float64]
Made = TypeVar("Made")

GOALS = {
    0: (1.45, 0.80, 4.0, 2.0),
    5: (1.35, 0.42, 3.0, 2.0),
    20: (1.20, 0.40, 3.0, 2.0),
    60: (1.12, 0.42, 3.0, 1.5),
    200: (1.07, 0.40, 2.0, 1.5),
    1000: (1.05, 0.42, 2.0, 1.0),
}
"""After so many jobs: CRPS at most so many times the oracle's, and the mean per type and a quarter's; P80 and P95
within so many points."""


STRETCH = {0: 1.36, 5: 1.24, 20: 1.14, 60: 1.07}
"""The goals of the stages' CRPS / oracle for a shop that begins with a prior across others."""


def measure(
    seeds: Sequence[int],
    truth: Truth,
    points: Sequence[int],
    *,
    fresh: int = FRESH,
    processes: int = 1,
    new: NewLearner = Learner,
) -> list[Scores]:
    """Each shop's scores, in the order of the seeds. new: a module's function or class, for other processes."""
    return list(
        each(partial(walk_scores, truth=truth, points=points, fresh=fresh, new=new), seeds, processes)
    )


def each(work: Callable[[int], Made], seeds: Sequence[int], processes: int) -> Iterator[Made]:
    """The work on each seed, in their order, with a word to stderr on how far it is."""
    begun = time.perf_counter()
    with get_context("spawn").Pool(processes) if processes > 1 else _Here() as pool:
        for number, made in enumerate(pool.imap(work, seeds), 1):
            if sys.stderr.isatty():
                print(
                    f"\r{number} of {len(seeds)} shops, {time.perf_counter() - begun:.0f} s ",
                    end="",
                    file=sys.stderr,
                )
            yield made


class _Here:
    """A pool of this process alone."""

    def __enter__(self) -> _Here:
        return self

    def __exit__(self, *_: object) -> None:
        return None

    def imap(self, work: Callable[[int], Made], seeds: Iterable[int]) -> Iterator[Made]:
        return map(work, seeds)


def table(found: Sequence[Scores], points: Sequence[int], what: str) -> list[str]:
    """The lines of one table. what: STAGES or JOBS."""
    lines = [
        f"{what}, {len(found)} shops. ±: a standard error over the shops; in brackets the goal; !: missed.",
        " jobs |  CRPS / oracle       |  CRPS / (mean + 25 %) | P50, %      | P80 − 80, points   | P95 − 95, points",
    ]
    for point in points:
        ours, oracle, simple, *hits = np.array([shop[what, point] for shop in found]).T
        goal = GOALS.get(point, (np.inf,) * 4)
        p50, p80, p95 = (
            100 * np.array(h) - 100 * level for h, level in zip(hits, (0, 0.8, 0.95), strict=True)
        )
        cells = [
            _ratio(ours / oracle, goal[0]),
            _ratio(ours / simple, goal[1]),
            f"{p50.mean():5.1f} ± {_error(p50):3.1f}",
            _points(p80, goal[2]),
            _points(p95, goal[3]),
        ]
        lines.append(f"{point:5d} | " + " | ".join(cells))
    return lines


def _ratio(values: Floats, goal: float) -> str:
    mean = float(values.mean())
    return f"{mean:5.3f} ± {_error(values):5.3f} ({goal:4.2f}){'!' if mean > goal else ' '}"


def _points(values: Floats, goal: float) -> str:
    mean = float(values.mean())
    return f"{mean:+5.1f} ± {_error(values):3.1f} (±{goal:3.1f}){'!' if abs(mean) > goal else ' '}"


def _error(values: Floats) -> float:
    """The standard error of a mean over shops; nan for a single shop."""
    return float(np.std(values, ddof=1) / np.sqrt(len(values))) if len(values) > 1 else float("nan")


def kept(found: Sequence[Scores]) -> str:
    """Every shop's scores as JSON."""
    return json.dumps(
        [{f"{what}/{n}": values.tolist() for (what, n), values in shop.items()} for shop in found]
    )


def beside_table(found: Sequence[Scores], before: str, points: Sequence[int]) -> list[str]:
    """The lines of a comparison, shop by shop, with scores that were kept of the same shops."""
    lines = [" jobs | CRPS / kept, stages | CRPS / kept, job totals"]
    kept_shops = json.loads(before)
    if len(kept_shops) != len(found):
        raise SystemExit(
            f"The kept scores are of {len(kept_shops)} shops, these of {len(found)}: they must be the same."
        )
    for point in points:
        cells = []
        for what in (STAGES, JOBS):
            ours = np.array([shop[what, point] for shop in found])
            theirs = np.array([shop.get(f"{what}/{point}", [np.nan] * 6) for shop in kept_shops])
            if np.any(ours[:, 1] != theirs[:, 1]):
                raise SystemExit(
                    f"At {point} jobs the kept scores are not of these shops, seeds and fresh jobs."
                )
            ratio = ours[:, 0] / theirs[:, 0]
            cells.append(f"{ratio.mean():6.4f} ± {_error(ratio):6.4f}")
        lines.append(f"{point:5d} | " + "     | ".join(cells))
    return lines


def drift_table(found: Sequence[dict[tuple[int, int], Floats]]) -> list[str]:
    """The lines of the table of what a machine change does to the stage that it changes."""
    lines = [
        f"The stage whose machine changed unnoticed after {DRIFT_AT} jobs, {len(found)} shops.",
        " jobs since | CRPS / oracle | P50, %      | P80, %      | P95, %",
    ]
    windows = list(dict.fromkeys(window for shop in found for window in shop))
    for window in windows:
        ours, oracle, *hits = np.array([shop[window] for shop in found if window in shop]).T
        ratio = ours / oracle
        cells = [f"{ratio.mean():5.3f} ± {_error(ratio):5.3f}"]
        cells += [f"{100 * h.mean():5.1f} ± {100 * _error(h):3.1f}" for h in hits]
        lines.append(f"{window[0]:4d} to {window[1]:3d} | " + " | ".join(cells))
    return lines


def stretch_line(found: Sequence[Scores]) -> str:
    """How near the stages come to the goals of a prior across shops."""
    ratios = {
        n: np.mean([shop[STAGES, n][0] / shop[STAGES, n][1] for shop in found])
        for n in STRETCH
        if (STAGES, n) in found[0]
    }
    return "CRPS / oracle of stages with the prior across shops: " + ", ".join(
        f"{n} jobs {ratio:5.3f} ({STRETCH[n]:4.2f}){'!' if ratio > STRETCH[n] else ''}"
        for n, ratio in ratios.items()
    )


def main(arguments: Sequence[str] | None = None) -> None:
    """The command."""
    asked = _parser().parse_args(arguments)
    seeds = range(asked.seed, asked.seed + asked.shops)
    truth = PRESETS[asked.truth]
    points = [point for point in POINTS if point <= asked.size]
    begun = time.perf_counter()
    print(
        f"Invented shops {seeds[0]} to {seeds[-1]}, truth '{asked.truth}', {asked.fresh} fresh jobs at each point."
    )
    print("With no finished job, the simple forecast is the trade default's minutes with a quarter added.\n")
    new: NewLearner = Learner
    if asked.prior_from:
        others = range(OTHER_SEEDS, OTHER_SEEDS + asked.prior_from)
        new = starting_from(priors_of(each(partial(learned_shop, truth=truth), others, asked.processes)))
        print(f"They begin with a prior across {len(others)} others of {OTHER_JOBS} jobs each.\n")
    found = measure(seeds, truth, points, fresh=asked.fresh, processes=asked.processes, new=new)
    for what in (STAGES, JOBS):
        print("\n".join(table(found, points, what)), end="\n\n")
    if asked.prior_from:
        print(stretch_line(found), end="\n\n")
    if asked.keep:
        asked.keep.write_text(kept(found))
    if asked.beside:
        print("\n".join(beside_table(found, asked.beside.read_text(), points)), end="\n\n")
    if asked.drift:
        drift = list(each(partial(drift_scores, truth=truth, fresh=3, new=Learner), seeds, asked.processes))
        print("\n".join(drift_table(drift)), end="\n\n")
    print(f"{time.perf_counter() - begun:.0f} s")


def _positive(text: str) -> int:
    """A whole number of at least 1. Raises ValueError otherwise, which argparse turns into a message."""
    number = int(text)
    if number < 1:
        raise argparse.ArgumentTypeError(f"{number} is too few: at least 1")
    return number


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="oracle_table", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--shops", type=_positive, default=30, help="how many shops")
    parser.add_argument("--seed", type=int, default=0, help="the first shop's seed")
    parser.add_argument(
        "--size", type=int, default=200, help="the most finished jobs: 0, 5, 20, 60, 200 or 1000"
    )
    parser.add_argument(
        "--fresh", type=_positive, default=FRESH, help="fresh jobs that are scored at each point"
    )
    parser.add_argument("--processes", type=_positive, default=1)
    parser.add_argument("--drift", action="store_true", help="also what an unnoticed machine change does")
    parser.add_argument("--keep", type=Path, metavar="FILE", help="keep every shop's scores in a file")
    parser.add_argument("--beside", type=Path, metavar="FILE", help="compare with scores that were kept")
    parser.add_argument(
        "--prior-from", type=_positive, metavar="SHOPS", help="begin with a prior across so many other shops"
    )
    which = parser.add_mutually_exclusive_group()
    for name in PRESETS:
        which.add_argument(
            f"--{name}", dest="truth", action="store_const", const=name, help=f"shops that are {name}"
        )
    parser.set_defaults(truth="usual")
    return parser


if __name__ == "__main__":
    main()
