"""What the simulation draws: every part of every open stage, in every replication.

Each column follows its own law, given by quantiles; a Gaussian copula ties the columns together, since a
difficult job is difficult at every stage, and a wrong rate for a kind of stage is wrong in every job:

    z = √kind_corr · Z_kind + √job_corr · Z_job + √(1 − kind_corr − job_corr) · E

with independent standard normals, and minutes = the column's quantile at Φ(z). Every normal has a stream of
its own (`drawing`), named by the seed, the job's key, the stage kind and its turn. So another job, another order or
another process leaves all other draws as they were, and what-ifs differ only by what they change.

Runs come in blocks of BLOCK, each with streams of its own and each a Latin hypercube (McKay, Beckman & Conover 1979):
a P80 is worth 1.4 to 3 times as many runs as with plain draws, more runs leave the first ones as they were, and the
blocks tell by how much they differ how exact their mean is.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BLOCK = 250
"""Runs that are stratified together."""

_KNOTS = 133
"""Points of a column's law, evenly spaced in z, so that a draw finds its place without a search."""
_SHORTEST = 1e-9
"""Minutes that stand for none, on the log scale."""
_FARTHEST = 36.0
"""The z beyond which the normal tail is no longer a number."""

_JOB, _RESIDUAL, _KIND, _OTHER = range(4)  # what a stream is for
_WORD = 2**64 - 1

_COLUMN = np.dtype(
    [("kind", "u8"), ("turn", "u8"), ("place", "i8"), ("fixed", "i8")]
    + [(name, "f8") for name in ("own_weight", "job_weight", "kind_weight", "longest", "beyond", "elapsed")]
)


@dataclass(frozen=True, eq=False)
class Columns:
    """The laws of what is to be drawn, one column per timed part of an operation.

    quantiles: minutes, not falling along a row, shape (columns, probabilities); a constant row is a fixed time.
    probabilities: in (0, 1), rising. Between them log minutes is linear in z; beyond them the law stops.
    job: index into the job keys, shape (columns,). kind: the stage kind's number, the same in every call, as it
    names the streams. job_corr, kind_corr: shares of the variance of z, a number or shape (columns,).
    elapsed: minutes that a running stage has already taken, 0 for the others, shape (columns,).
    """

    quantiles: Floats
    probabilities: Floats
    job: Ints
    kind: Ints
    job_corr: float | Floats = 0.0
    kind_corr: float | Floats = 0.0
    elapsed: Floats | None = None

    def __post_init__(self) -> None:
        count = len(self.quantiles)
        if self.quantiles.shape != (count, self.probabilities.size) or self.probabilities.size < 2:
            raise ValueError(f"Quantiles {self.quantiles.shape} at {self.probabilities.size} probabilities.")
        if not np.all(np.diff(self.probabilities, prepend=0.0, append=1.0) > 0):
            raise ValueError("Probabilities must rise strictly between 0 and 1.")
        good = np.isfinite(self.quantiles) & (self.quantiles >= 0)
        good[:, 1:] &= np.diff(self.quantiles, axis=1) >= 0
        if not good.all():
            raise ValueError(f"The quantiles of column {np.argmin(good.all(axis=1))} are negative or fall.")
        shares = np.broadcast_to(self.job_corr, count) + np.broadcast_to(self.kind_corr, count)
        if np.any(np.minimum(self.job_corr, self.kind_corr) < 0) or np.any(shares > 1 + 1e-12):
            raise ValueError("job_corr and kind_corr must not be negative, nor add up to more than 1.")
        if (
            any(np.shape(x) != (count,) for x in (self.job, self.kind, self._elapsed))
            or self.kind.min(initial=0) < 0
        ):
            raise ValueError(f"job, kind and elapsed must have {count} values, one per column, kinds from 0.")

    @property
    def _elapsed(self) -> Floats:
        return np.zeros(len(self.quantiles)) if self.elapsed is None else self.elapsed


def draw(columns: Columns, job_keys: Sequence[int], runs: int, seed: int, threads: int = 1) -> Floats:
    """Minutes, shape (runs, columns); of a stage that is running, those that are left.

    job_keys: a lasting 64-bit number for each job. A running stage is drawn from its law given that it outlasts
    what has passed, exactly; and its job's other stages learn from it.
    """
    sampler = Sampler(columns, job_keys, seed)
    minutes = np.empty((runs, len(columns.quantiles)))

    def fill(block: int) -> None:
        sampler.fill(block, minutes[block * BLOCK : (block + 1) * BLOCK])

    in_threads(fill, -(-runs // BLOCK), threads)
    return minutes


def in_threads(work: Callable[[int], None], parts: int, threads: int) -> None:
    """Do all parts of a work by number, several at once."""
    if min(threads, parts) <= 1:
        for part in range(parts):
            work(part)
        return
    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(work, range(parts)))


class Sampler:
    """The columns laid out for drawing any block of runs, in threads too."""

    def __init__(self, columns: Columns, job_keys: Sequence[int], seed: int) -> None:
        jobs = columns.job
        if jobs.size and not 0 <= jobs.min() <= jobs.max() < len(job_keys):
            raise ValueError(f"Columns name jobs {jobs.min()} to {jobs.max()} of {len(job_keys)}.")
        self.seed = np.uint64(seed & _WORD)
        self.laws = _Laws(columns)
        self.table, self.kinds = self._table(columns)
        self.keys = np.array([key & _WORD for key in job_keys], np.uint64)
        begun = np.unique(jobs[(self.laws.elapsed > 0) & ~self.laws.fixed])
        self.begun = [(self.keys[job], np.flatnonzero(jobs == job)) for job in begun]
        rest = np.setdiff1d(np.unique(jobs), begun)
        order = np.argsort(jobs, kind="stable")
        self.order = order[np.isin(jobs[order], rest)]
        self.bounds = np.searchsorted(jobs[self.order], np.append(rest, len(job_keys)))
        self.rest = self.keys[rest]
        self.widest = int(np.bincount(jobs, minlength=1).max(initial=1))

    def _table(self, columns: Columns) -> tuple[NDArray[np.void], NDArray[np.uint64]]:
        laws = self.laws
        table = np.zeros(len(columns.quantiles), _COLUMN)
        table["kind"], table["turn"], table["fixed"] = columns.kind, _turns(columns), laws.fixed
        for field in ("own_weight", "job_weight", "kind_weight", "longest", "elapsed"):
            table[field] = getattr(laws, field)
        table["beyond"] = np.where(laws.elapsed > 0, laws.beyond, 0.0)
        kinds = np.unique(columns.kind[laws.kind_weight > 0])
        table["place"] = np.minimum(np.searchsorted(kinds, columns.kind), max(kinds.size - 1, 0))
        return table, kinds.astype(np.uint64)

    def fill(self, block: int, out: Floats) -> None:
        """Write the runs of a block into out, shape (runs, columns or more), BLOCK runs or fewer."""
        from analytics.engine import drawing  # here, for it loads numba

        runs, number, laws = len(out), np.uint64(block), self.laws
        places, z = np.empty(runs, np.int64), np.empty((self.widest, runs))
        shared, kinds = np.empty((1, runs)), np.empty((max(self.kinds.size, 1), runs))
        drawing.normals(self.seed, number, self.kinds, _KIND, places, kinds)
        law = self.table, laws.log, laws.lowest, laws.per_z
        drawing.jobs(
            self.seed,
            number,
            self.rest,
            self.bounds,
            self.order,
            (_JOB, _RESIDUAL),
            kinds,
            *law,
            places,
            shared[0],
            z,
            out,
        )
        for key, mine in self.begun:
            drawing.normals(self.seed, number, np.array([key]), _JOB, places, shared)
            name = self.seed, number, key, _RESIDUAL
            drawing.scores(*name, self.table, mine, kinds, shared[0], places, z)
            _condition(laws, mine, z[: mine.size])
            drawing.minutes(*law, mine, z[: mine.size], out)


def uniforms(seed: int, block: int, keys: Ints, runs: int) -> Floats:
    """For other draws: a stratified uniform for each key, shape (keys, runs), apart from all of `draw`."""
    from analytics.engine import drawing

    out = np.empty((keys.size, runs))
    names = keys.astype(np.uint64)
    drawing.uniforms(np.uint64(seed & _WORD), np.uint64(block), names, _OTHER, np.empty(runs, np.int64), out)
    return out


def _turns(columns: Columns) -> Ints:
    """How many earlier columns of the same job and kind there are, shape (columns,)."""
    seen: dict[tuple[int, int], int] = {}
    turns = []
    for pair in zip(columns.job.tolist(), columns.kind.tolist(), strict=True):
        turns.append(seen.get(pair, 0))
        seen[pair] = turns[-1] + 1
    return np.array(turns, np.int64)


class _Laws:
    """The columns' log minutes at evenly spaced z, and the weights of the copula."""

    def __init__(self, columns: Columns) -> None:
        at = np.array([NormalDist().inv_cdf(p) for p in columns.probabilities.tolist()])
        self.z = np.linspace(at[0], at[-1], _KNOTS)
        self.lowest, self.per_z = float(self.z[0]), float((_KNOTS - 1) / (self.z[-1] - self.z[0]))
        logs = np.log(np.maximum(columns.quantiles, _SHORTEST))
        low = np.clip(np.searchsorted(at, self.z, "right") - 1, 0, at.size - 2)
        share = (self.z - at[low]) / (at[low + 1] - at[low])
        self.log = logs[:, low] * (1.0 - share) + logs[:, low + 1] * share
        self.fixed = columns.quantiles[:, 0] == columns.quantiles[:, -1]
        self.longest = columns.quantiles[:, -1]
        self.elapsed = columns._elapsed
        middle = _KNOTS // 2
        growth = (self.log[:, -1] - self.log[:, middle]) / (self.z[-1] - self.z[middle])
        self.beyond = np.where(growth > 0, growth, 1e-3)
        """Growth of log minutes with z past the last quantile, for a stage that may have outlasted it."""
        count = len(logs)
        kind, job = np.broadcast_to(columns.kind_corr, count), np.broadcast_to(columns.job_corr, count)
        self.kind_weight, self.job_weight = np.sqrt(kind), np.sqrt(job)
        self.own_weight = np.sqrt(np.maximum(1.0 - kind - job, 0.0))

    def score_of_elapsed(self, c: int) -> float:
        """The z at which column c takes what has elapsed, -inf if it never takes as little."""
        y, log = float(np.log(self.elapsed[c])), self.log[c]
        if y < log[0]:
            return -np.inf
        if y <= log[-1]:
            return float(np.interp(y, log, self.z))
        return float(min(self.z[-1] + (y - log[-1]) / self.beyond[c], _FARTHEST))


def _condition(laws: _Laws, mine: Ints, z: Floats) -> None:
    """Move z of this job's columns, shape (columns, runs), to where its running stages outlast the elapsed time.

    The running column's z goes to the tail above c by its own rank, Φ(−z') = Φ(−c) Φ(−z): a normal truncated at
    c, of the same random numbers. Along the job's effect the others move with it by regression, which is exact
    for one running stage, and for several keeps each one's own law exact.
    """
    running = [k for k, c in enumerate(mine.tolist()) if laws.elapsed[c] > 0 and not laws.fixed[c]]
    if not running:
        return
    from scipy.special import ndtr, ndtri

    moved = np.zeros(z.shape[1])
    for k in running:
        score = laws.score_of_elapsed(int(mine[k]))
        tail = z[k] if score == -np.inf else -ndtri(ndtr(-score) * ndtr(-z[k]))
        moved += laws.job_weight[mine[k]] * (tail - z[k])
        z[k] = tail
    shared = float(np.mean(laws.job_weight[mine[running]] ** 2))
    moved /= 1.0 + (len(running) - 1) * shared
    for k in set(range(len(mine))) - set(running):
        z[k] += laws.job_weight[mine[k]] * moved
