"""A past again, as it was and with something changed: turnaround and promises kept, with what is not known of them.

The work of the past arrives when it arrived, takes the minutes that were clocked, or draws what was not, and is done
by date. Both shops are played on the same draws, so that they differ only by what was changed. A job that another
machine delays stays delayed here: nothing is smoothed over.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.engine.book import Book, draws, look
from analytics.engine.network import EdgeKind
from analytics.engine.work import OpenWork

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

LEVELS = (0.5, 0.8, 0.95)
"""Of the turnaround: half of the jobs take no longer than the first, and so on."""

RESAMPLES = 500
"""Pasts drawn for an interval: its ends are then known to a percentile or so."""

FEWEST_BLOCKS = 4
"""With fewer weeks than these, single jobs are drawn anew instead of weeks."""

SAME = 1.0
"""Minutes within which a job counts as neither sooner nor later."""


@dataclass(frozen=True, eq=False)
class Past:
    """The jobs of a past, shape (jobs,), in minutes since an origin; nan for none.

    arrived, due, finished: as they really were. scored: those that are compared; the others only take part. week: of
    the arrival: what goes together when the past is drawn anew.
    """

    arrived: Floats
    due: Floats
    finished: Floats
    scored: Bools
    week: Ints


@dataclass(frozen=True, eq=False)
class Played:
    """Futures of a past. finish: of each job, minutes since the origin, shape (runs, jobs).

    waited: mean open minutes for which ready work waited, by pool. busy: mean minutes at work, by unit's name.
    """

    finish: Floats
    waited: Mapping[str, float]
    busy: Mapping[str, float]


@dataclass(frozen=True)
class Change:
    """A number before and after, and the 90 % interval of the difference (after less before)."""

    before: float
    after: float
    low: float
    high: float

    @property
    def certain(self) -> bool:
        """Whether the interval is on one side of no change."""
        return self.low > 0 or self.high < 0


@dataclass(frozen=True)
class Check:
    """The replay of what was beside what was: of the jobs that really finished, and of those that had a date."""

    jobs: int
    median_real: float
    median_played: float
    dated: int
    kept_real: float
    kept_played: float


@dataclass(frozen=True)
class Comparison:
    """What the change does. turnaround: elapsed minutes at each of LEVELS. mean: of all jobs.

    kept: share of the dated jobs in time; None where none had a date. sooner, later: shares of jobs.
    """

    jobs: int
    dated: int
    turnaround: tuple[Change, ...]
    mean: Change
    kept: Change | None
    sooner: float
    later: float


def play(
    work: OpenWork,
    *,
    runs: int,
    seed: int,
    span: tuple[float, float],
    pools: Mapping[int, str],
    threads: int = 1,
) -> Played:
    """Play the work `runs` times.

    span: minutes since the origin between which waiting and work that begin are counted. pools: by stage key, where
    its waiting is put down. Raises as `OpenWork.book` and `look` do.
    """
    book = work.book()
    minutes = draws(book, runs=runs, seed=seed)
    seen = look(book, minutes, trace=True, threads=threads)
    assert seen.trace is not None  # noqa: S101 - asked for
    starts = seen.trace[:, :, 0]
    counted = (starts >= span[0]) & (starts < span[1])
    names = [pools.get(stage.key, "") for stage in work.stages]
    waited = _waited(book, seen.trace, counted, names)
    return Played(seen.finish, waited, _busy(book, minutes, seen.units, counted))


def check(past: Past, finish: Floats) -> Check:
    """How near the replay of what was comes to what was. finish: shape (runs, jobs)."""
    real = past.scored & np.isfinite(past.finished)
    dated = real & np.isfinite(past.due)
    took = finish[:, real] - past.arrived[real]
    return Check(
        int(real.sum()),
        _median(past.finished[real] - past.arrived[real]),
        float(np.mean(np.median(took, axis=1))) if real.any() else float("nan"),
        int(dated.sum()),
        float(np.mean(past.finished[dated] <= past.due[dated])) if dated.any() else float("nan"),
        float(np.mean(finish[:, dated] <= past.due[dated])) if dated.any() else float("nan"),
    )


def compare(past: Past, before: Floats, after: Floats, seed: int) -> Comparison:
    """Both replays on the same draws, shape (runs, jobs), with intervals over the weeks and the draws together.

    An interval is the bootstrap's (Efron 1979) with whole weeks drawn anew, for the jobs of a week stand in each
    other's way (Künsch 1989), and with one of the runs for each drawn past.
    """
    scored = np.flatnonzero(past.scored)
    took = np.stack([before[:, scored], after[:, scored]]) - past.arrived[scored]  # (2, runs, jobs)
    dated = np.isfinite(past.due[scored])
    kept = np.stack([before[:, scored], after[:, scored]]) <= past.due[scored]  # nan: never, and not counted
    rng = np.random.default_rng(seed)
    drawn = [(int(rng.integers(took.shape[1])), mine) for mine in _pasts(past.week[scored], rng, RESAMPLES)]
    levels = np.array(
        [_levels(took[:, run][:, mine]) for run, mine in drawn]
    )  # (resamples, 2, levels + mean)
    shares = np.array([_share(kept[:, run], dated, mine) for run, mine in drawn])  # (resamples, 2)
    whole = np.mean([_levels(took[:, run]) for run in range(took.shape[1])], axis=0)
    changes = [_change(whole[:, i], levels[:, :, i]) for i in range(whole.shape[1])]
    ahead = took[0] - took[1]
    return Comparison(
        scored.size,
        int(dated.sum()),
        tuple(changes[:-1]),
        changes[-1],
        _change(kept[:, :, dated].mean(axis=(1, 2)), shares) if dated.any() else None,
        float(np.mean(ahead > SAME)),
        float(np.mean(ahead < -SAME)),
    )


def _levels(took: Floats) -> Floats:
    """The turnaround at LEVELS, and its mean, of jobs in the last axis; they come last."""
    found = np.quantile(took, LEVELS, axis=-1, method="inverted_cdf")
    return np.concatenate([np.moveaxis(found, 0, -1), took.mean(axis=-1, keepdims=True)], axis=-1)


def _share(kept: Bools, dated: Bools, mine: Ints) -> Floats:
    """The shares kept of the drawn jobs that have a date, shape (2,); nan where none has."""
    among = mine[dated[mine]]
    return kept[:, among].mean(axis=1) if among.size else np.full(2, np.nan)


def _pasts(week: Ints, rng: np.random.Generator, count: int) -> Sequence[Ints]:
    """Indices of the jobs of pasts drawn anew: as many weeks as there were, or as many jobs."""
    names, place = np.unique(week, return_inverse=True)
    if names.size < FEWEST_BLOCKS:
        return [rng.integers(week.size, size=week.size) for _ in range(count)]
    blocks = [np.flatnonzero(place == k) for k in range(names.size)]
    return [
        np.concatenate([blocks[k] for k in rng.integers(names.size, size=names.size)]) for _ in range(count)
    ]


def _change(pair: Floats, drawn: Floats) -> Change:
    """before, after: pair. drawn: the same in each drawn past, shape (resamples, 2)."""
    low, high = np.nanquantile(drawn[:, 1] - drawn[:, 0], (0.05, 0.95))
    return Change(float(pair[0]), float(pair[1]), float(low), float(high))


def _median(values: Floats) -> float:
    return float(np.median(values)) if values.size else float("nan")


def _waited(book: Book, trace: Floats, counted: Bools, names: Sequence[str]) -> dict[str, float]:
    """Open minutes between being ready and beginning, by pool, summed over the operations and averaged over runs."""
    ready = np.tile([op.release for op in book.plan.operations], (len(trace), 1))
    for edge in book.edges:  # each edge can only make it later
        moment = trace[:, edge.before, 1 if edge.kind == EdgeKind.ATTENDED_TO_START else 2]
        np.maximum(ready[:, edge.after], moment + edge.lag, out=ready[:, edge.after])
    hours = book.plan.shop.calendars[0]
    waits = np.where(counted, np.maximum(hours.work(trace[:, :, 0]) - hours.work(ready), 0.0), 0.0)
    sums: dict[str, float] = {}
    for name, wait in zip(names, waits.sum(axis=0).tolist(), strict=True):
        if name:
            sums[name] = sums.get(name, 0.0) + wait / len(trace)
    return sums


def _busy(book: Book, minutes: Floats, units: NDArray[np.uint64] | None, counted: Bools) -> dict[str, float]:
    """Minutes at work of each unit, by name, averaged over runs: people's while they attend, machines' also alone."""
    if units is None:
        return {}
    plan, runs = book.plan, len(minutes)
    attended = np.where(counted, _columns(minutes, [op.attended for op in plan.operations]), 0.0)
    alone = np.where(counted, _columns(minutes, [op.unattended for op in plan.operations]), 0.0)
    machines = {unit for slots in plan.machines.values() for unit in slots}
    busy: dict[str, float] = {}
    for u, unit in enumerate(plan.shop.units):
        on = ((units >> np.uint64(u)) & np.uint64(1)).astype(bool)
        spent = float(attended[on].sum() + (alone[on].sum() if u in machines else 0.0)) / runs
        busy[unit.name] = busy.get(unit.name, 0.0) + spent
    return busy


def _columns(minutes: Floats, columns: Sequence[int]) -> Floats:
    """The minutes of these columns, nothing for -1, shape (runs, columns)."""
    padded = np.hstack([minutes, np.zeros((len(minutes), 1))])
    return np.asarray(padded[:, columns])
