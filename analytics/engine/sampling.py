"""What the simulation draws: every part of every open stage, in every replication.

Each column follows its own law, given by quantiles; a Gaussian copula ties the columns together, since a
difficult job is difficult at every stage, and a wrong rate for a kind of stage is wrong in every job:

    z = √kind_corr · Z_kind + √job_corr · Z_job + √(1 − kind_corr − job_corr) · E

with independent standard normals, and minutes = the column's quantile at Φ(z). Every normal has a stream of
its own (Philox: Salmon et al. 2011), named by the seed, the job's key, the stage kind and its turn. So another
job, another order or another process leaves all other draws as they were, and what-ifs differ only by what
they change. Each stream is a Latin hypercube over the runs (McKay, Beckman & Conover 1979): a P80 is worth 1.4
to 3 times as many runs as with plain draws, for a sixth more time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_KNOTS = 133
"""Points of a column's law, evenly spaced in z, so that a draw finds its place without a search."""
_SHORTEST = 1e-9
"""Minutes that stand for none, on the log scale."""
_FARTHEST = 36.0
"""The z beyond which the normal tail is no longer a number."""

_JOB, _RESIDUAL, _KIND = 0, 1, 2  # what a stream is for


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


def draw(columns: Columns, job_keys: Sequence[int], runs: int, seed: int) -> Floats:
    """Minutes, shape (runs, columns); of a stage that is running, those that are left.

    job_keys: a lasting 64-bit number for each job. A running stage is drawn from its law given that it outlasts
    what has passed, exactly; and its job's other stages learn from it.
    """
    if columns.job.size and not 0 <= columns.job.min() <= columns.job.max() < len(job_keys):
        raise ValueError(f"Columns name jobs {columns.job.min()} to {columns.job.max()} of {len(job_keys)}.")
    laws = _Laws(columns)
    kinds = {
        k: _normals(seed, k, runs, _KIND) for k in np.unique(columns.kind[laws.kind_weight > 0]).tolist()
    }
    turn = _turns(columns)
    minutes = np.empty((runs, len(columns.quantiles)))
    order = np.argsort(columns.job, kind="stable")
    for mine in np.split(order, np.flatnonzero(np.diff(columns.job[order])) + 1):
        if not mine.size:
            continue
        key = int(job_keys[columns.job[mine[0]]])
        z = np.empty((mine.size, runs))
        for row, c in zip(z, mine.tolist(), strict=True):
            row[:] = _normals(seed, key, runs, _RESIDUAL, int(columns.kind[c]), int(turn[c]))
            row *= laws.own_weight[c]
            if laws.kind_weight[c] > 0:
                row += laws.kind_weight[c] * kinds[int(columns.kind[c])]
        z += laws.job_weight[mine, None] * _normals(seed, key, runs, _JOB)
        _condition(laws, mine, z)
        minutes[:, mine] = laws.minutes(mine, z).T
    return minutes


def _normals(seed: int, key: int, runs: int, purpose: int, kind: int = 0, turn: int = 0) -> Floats:
    """Standard normals of one named stream, one from each of `runs` equally likely strata, shape (runs,)."""
    from scipy.special import ndtri  # here, for scipy is slow to load

    words = 2**64 - 1
    name = np.random.Philox(
        key=np.array([seed & words, key & words], np.uint64),
        counter=np.array([0, turn, kind, purpose], np.uint64),
    )
    rng = np.random.Generator(name)
    normals: Floats = ndtri((rng.permutation(runs) + rng.random(runs)) / runs)
    return np.maximum(normals, -_FARTHEST)  # a uniform 0 is possible


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
        scores = np.array([NormalDist().inv_cdf(p) for p in columns.probabilities.tolist()])
        self.z = np.linspace(scores[0], scores[-1], _KNOTS)
        logs = np.log(np.maximum(columns.quantiles, _SHORTEST))
        self.log = np.array([np.interp(self.z, scores, row) for row in logs]).reshape(-1, _KNOTS)
        self.step = np.diff(self.log, axis=1, append=self.log[:, -1:])
        self.fixed = columns.quantiles[:, 0] == columns.quantiles[:, -1]
        self.longest = columns.quantiles[:, -1]
        self.elapsed = columns._elapsed
        count = len(logs)
        kind, job = np.broadcast_to(columns.kind_corr, count), np.broadcast_to(columns.job_corr, count)
        self.kind_weight, self.job_weight = np.sqrt(kind), np.sqrt(job)
        self.own_weight = np.sqrt(np.maximum(1.0 - kind - job, 0.0))

    def minutes(self, mine: Ints, z: Floats) -> Floats:
        """Minutes (left) of these columns at z, shape (columns, runs)."""
        place = (z - self.z[0]) * ((_KNOTS - 1) / (self.z[-1] - self.z[0]))
        np.clip(place, 0.0, _KNOTS - 1, out=place)
        for row, over, c in zip(place, z, mine.tolist(), strict=True):
            if self.fixed[c]:
                row[:] = self.longest[c]
            else:
                knot = row.astype(np.int64)
                row -= knot
                row *= self.step[c][knot]
                row += self.log[c][knot]
                if self.elapsed[c] > 0:
                    row += self._beyond(c) * np.maximum(over - self.z[-1], 0.0)
                np.exp(row, out=row)
            if self.elapsed[c] > 0:
                row -= self.elapsed[c]
                np.maximum(row, 0.0, out=row)
        return np.asarray(place)

    def score_of_elapsed(self, c: int) -> float:
        """The z at which column c takes what has elapsed, -inf if it never takes as little."""
        y, log = float(np.log(self.elapsed[c])), self.log[c]
        if y < log[0]:
            return -np.inf
        if y <= log[-1]:
            return float(np.interp(y, log, self.z))
        return float(min(self.z[-1] + (y - log[-1]) / self._beyond(c), _FARTHEST))

    def _beyond(self, c: int) -> float:
        """Growth of log minutes with z past the last quantile, for a stage that may have outlasted it."""
        return (
            float((self.log[c, -1] - self.log[c, _KNOTS // 2]) / (self.z[-1] - self.z[_KNOTS // 2])) or 1e-3
        )


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
