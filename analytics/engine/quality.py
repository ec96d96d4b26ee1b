"""How well forecasts did: what was said, against what then happened.

Cases of one job are slow or quick together, so n of them tell less than n that have nothing to do with each other.
Every interval here is as wide as for the number that they are worth (`worth`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analytics.engine import moments, tolerance
from analytics.engine.backtest import LEVELS, SHOWN

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Verdict = Literal["few", "below", "above", "fits"]
Lean = Literal["fits", "longer", "shorter", "narrow", "wide"]

FEWEST = 5
"""Below so many nothing is said of a share; of five in a row that all fail something can be."""
FEW = 20
"""Below so many a share that seems right says little."""
PER_BAR = 5.0
"""Expected in each bar of a histogram at least: Cochran, Some Methods for Strengthening the Common χ² Tests,
Biometrics 10 (1954)."""
BARS = (10, 5, 4, 2)
LEVEL = 0.95
"""Of every interval here."""
DRAWS = (200, 1000, 200_000)
"""Resamples of an error's ratio: at least, at most, and drawn jobs in all."""


@dataclass(frozen=True)
class Cases:
    """n forecasts with what happened, in the order in which it did. Minutes, shape (n,); nan where there is none.

    job: which job each is of, any whole number. quantiles: minutes at SHOWN, shape (n, len(SHOWN)). pit: where the
    actual minutes fell in the forecast, 0..1. crps: the forecast's error; crps_mean, crps_past: of the two simple
    forecasts of the backtest. planned: what a person had estimated.
    """

    job: Ints
    actual: Floats
    quantiles: Floats
    pit: Floats
    crps: Floats
    crps_mean: Floats
    crps_past: Floats
    planned: Floats

    def __len__(self) -> int:
        return int(self.actual.size)

    def take(self, which: NDArray[np.bool_] | Ints) -> Cases:
        """Some of the cases, by a mask or by places."""
        return Cases(*(getattr(self, name)[which] for name in self.__dataclass_fields__))

    def at(self, level: float) -> Floats:
        """Minutes at a probability of SHOWN, shape (n,)."""
        return np.asarray(self.quantiles[:, SHOWN.index(level)])

    @property
    def plan_error(self) -> Floats:
        """By how many minutes the person's own estimate was off; nan where there was none."""
        return np.abs(self.planned - self.actual)


def normal_scores(pits: ArrayLike) -> Floats:
    """Probabilities as values of a standard normal law; 0 and 1 as if they were 0.001 and 0.999."""
    from scipy.special import ndtri

    return np.asarray(ndtri(np.clip(np.asarray(pits, float), 0.001, 0.999)))


def outside(cases: Cases) -> Floats:
    """Minutes beyond the range that nine in ten should have fallen in, shape (n,): above 0 longer, below 0 shorter."""
    low, high = cases.at(0.05), cases.at(0.95)
    return np.maximum(cases.actual - high, 0.0) - np.maximum(low - cases.actual, 0.0)


def worst_first(cases: Cases) -> Ints:
    """Places of the cases: those furthest outside the range first, then those furthest from the middle."""
    beyond = np.abs(outside(cases))
    return np.lexsort((-np.abs(cases.actual - cases.at(0.5)), -beyond))


def likeness(scores: Floats, jobs: Ints) -> float:
    """How alike the cases of one job are, 0..1: the intraclass correlation of their scores, shape (n,) both.

    By one-way analysis of variance, ICC(1,1) of Shrout & Fleiss, Psychological Bulletin 86 (1979), with the mean size
    for groups of unequal size of Donner, International Statistical Review 54 (1986). 0 where no job has two cases; 1
    for the cases of one job alone, which do not tell what they would have in common with others.
    """
    _, which, sizes = np.unique(jobs, return_inverse=True, return_counts=True)
    groups, n = sizes.size, scores.size
    if n == groups:
        return 0.0
    if groups == 1:
        return 1.0
    means = np.bincount(which, scores) / sizes
    within = float(((scores - means[which]) ** 2).sum()) / (n - groups)
    between = float((sizes * (means - scores.mean()) ** 2).sum()) / (groups - 1)
    size = (n - float((sizes**2).sum()) / n) / (groups - 1)
    spread = between + (size - 1) * within
    return float(np.clip((between - within) / spread, 0.0, 1.0)) if spread > 0 else 0.0


def worth(jobs: Ints, alike: float) -> float:
    """How many independent cases these are worth: n / (1 + (Σm²/n − 1)·alike), m the cases of each job.

    Kish, Survey Sampling (1965), the design effect of clusters; 0 for none.
    """
    _, sizes = np.unique(jobs, return_counts=True)
    n = float(sizes.sum())
    return n / (1.0 + (float((sizes**2).sum()) / n - 1.0) * alike) if n else 0.0


@dataclass(frozen=True)
class Coverage:
    """How often the minutes were within the time that was said to hold with probability `level`.

    worth: how many independent cases the n are worth. low, high: the interval of the true share. chance: the shares
    that are no surprise where the level is true; a share lies outside exactly if its interval leaves the level out.
    """

    level: float
    hits: int
    n: int
    worth: float
    low: float
    high: float
    chance: tuple[float, float]

    @property
    def share(self) -> float:
        """The share seen; nan for none."""
        return self.hits / self.n if self.n else math.nan

    @property
    def verdict(self) -> Verdict:
        """Whether the share is what was said, as far as so few can tell."""
        if self.worth < FEWEST:
            return "few"
        if self.high < self.level:
            return "below"
        if self.low > self.level:
            return "above"
        return "few" if self.worth < FEW else "fits"


def chance_band(share: float, worth: float) -> tuple[float, float]:
    """The shares that are seen 95 times in 100 where the true one is `share`: what Wilson's interval inverts."""
    from scipy.special import ndtri

    if worth <= 0:
        return 0.0, 1.0
    half = float(ndtri(0.5 + LEVEL / 2)) * math.sqrt(share * (1 - share) / worth)
    return max(share - half, 0.0), min(share + half, 1.0)


def coverage_at(level: float, within: NDArray[np.bool_], worth: float) -> Coverage:
    """Coverage at a level. within: for each case whether it was within its time, shape (n,)."""
    hits, n = int(within.sum()), int(within.size)
    weight = worth / n if n else 0.0
    low, high = tolerance.wilson(hits * weight, n * weight, LEVEL)
    return Coverage(level, hits, n, worth, low, high, chance_band(level, worth))


def coverages(cases: Cases, alike: float) -> tuple[Coverage, ...]:
    """Coverage at each of the backtest's levels."""
    w = worth(cases.job, alike)
    return tuple(coverage_at(level, cases.actual <= cases.at(level), w) for level in LEVELS)


@dataclass(frozen=True)
class PitHistogram:
    """How many cases fell into each part of their forecast, from its quickest to its slowest.

    low, high: where a bar lies 95 times in 100 if the forecasts are right.
    """

    counts: tuple[int, ...]
    low: float
    high: float

    @property
    def expected(self) -> float:
        """The height of each bar if all were as high."""
        return sum(self.counts) / len(self.counts)


def pit_histogram(pits: Floats, worth: float) -> PitHistogram | None:
    """The histogram with as many bars as the cases bear, ten at most; None where they bear none."""
    from scipy.stats import binom

    bars = next((k for k in BARS if worth >= k * PER_BAR), None)
    if bars is None:
        return None
    place = np.clip((pits * bars).astype(int), 0, bars - 1)
    counts = np.bincount(place, minlength=bars)
    n = max(round(worth), 1)
    low, high = (float(k) * pits.size / n for k in binom.interval(LEVEL, n, 1.0 / bars))
    return PitHistogram(tuple(int(count) for count in counts), low, high)


@dataclass(frozen=True)
class Uniformity:
    """The largest distance of the PITs' distribution from the even one, and how often chance makes one so large."""

    distance: float
    p: float


def uniformity(pits: Floats, worth: float) -> Uniformity | None:
    """Kolmogorov and Smirnov's test, by its exact law for so many independent cases; None for none."""
    from scipy.stats import kstwo

    if not pits.size:
        return None
    ordered, n = np.sort(pits), pits.size
    steps = np.arange(n + 1) / n
    distance = float(max((steps[1:] - ordered).max(), (ordered - steps[:-1]).max()))
    return Uniformity(distance, float(kstwo.sf(distance, max(round(worth), 1))))


def lean(pits: Floats, worth: float) -> Lean:
    """In what way the forecasts are off, if they are: by Kolmogorov and Smirnov first, then by mean and spread.

    longer, shorter: stages take longer, or less long, than said. narrow, wide: the range that is said is too narrow,
    or wider than need be.
    """
    found = uniformity(pits, worth)
    if found is None or found.p >= 1 - LEVEL:
        return "fits"
    off = float(pits.mean()) - 0.5
    if abs(off) > 1.96 / math.sqrt(12 * worth):
        return "longer" if off > 0 else "shorter"
    return "narrow" if float(pits.var()) > 1 / 12 else "wide"


@dataclass(frozen=True)
class ErrorRatio:
    """Our mean error against another's on the same n cases, minutes. ratio below 1: ours is smaller.

    low, high: the interval of the ratio; nan where there are too few jobs for one.
    """

    n: int
    ours: float
    theirs: float
    ratio: float
    low: float
    high: float


def error_ratio(ours: Floats, theirs: Floats, jobs: Ints, *, seed: int) -> ErrorRatio | None:
    """Compare two errors case by case, shape (n,) each; cases where either is nan are left out. None for none left.

    The interval is the percentile bootstrap over whole jobs: Efron & Tibshirani, An Introduction to the Bootstrap
    (1993), chapter 13; Davison & Hinkley, Bootstrap Methods (1997), section 3.8, for clusters.
    """
    both = np.isfinite(ours) & np.isfinite(theirs)
    n = int(both.sum())
    if not n or theirs[both].sum() <= 0:
        return None
    _, which = np.unique(jobs[both], return_inverse=True)
    sums: Floats = np.column_stack([np.bincount(which, errors[both]) for errors in (ours, theirs)]).astype(
        float
    )
    own, other = sums.sum(axis=0)
    low, high = _resampled(sums, np.random.default_rng(seed))
    return ErrorRatio(n, float(own) / n, float(other) / n, float(own / other), low, high)


def _resampled(sums: Floats, rng: np.random.Generator) -> tuple[float, float]:
    """Percentiles of the ratio of the two sums over jobs drawn anew. sums: shape (jobs, 2)."""
    jobs = len(sums)
    if jobs < FEWEST:
        return math.nan, math.nan
    least, most, budget = DRAWS
    which = rng.integers(0, jobs, (int(np.clip(budget // jobs, least, most)), jobs))
    own, other = (column[which].sum(axis=1) for column in sums.T)
    low, high = np.quantile(own / np.maximum(other, 1e-12), ((1 - LEVEL) / 2, (1 + LEVEL) / 2))
    return float(low), float(high)


@dataclass(frozen=True)
class Bias:
    """By how many minutes the middle case took longer than its forecast's middle, and the interval of that."""

    minutes: float
    low: float
    high: float

    @property
    def clear(self) -> bool:
        """Whether it is more than chance."""
        return self.low > 0 or self.high < 0


def bias(cases: Cases, worth: float) -> Bias | None:
    """The median of actual − forecast median; None below five cases.

    Its interval reaches between the differences at the shares that chance gives to a half: Conover, Practical
    Nonparametric Statistics (1999), section 3.2.
    """
    if worth < FEWEST:
        return None
    off = cases.actual - cases.at(0.5)
    low, middle, high = np.quantile(off, (chance_band(0.5, worth)[0], 0.5, chance_band(0.5, worth)[1]))
    return Bias(float(middle), float(low), float(high))


@dataclass(frozen=True)
class Runs:
    """Whether misses come in runs: lag-1 autocorrelation of the jobs' scores, and what chance seldom passes."""

    lag1: float
    limit: float

    @property
    def clear(self) -> bool:
        """Whether a slow job is followed by a slow one more often than by chance."""
        return self.lag1 > self.limit


def runs(pits: Floats, jobs: Ints) -> Runs | None:
    """Lag-1 autocorrelation of each job's mean normal score, in the cases' order; None below twenty jobs.

    The limit is z/√n: NIST/SEMATECH e-Handbook 1.3.5.12.
    """
    from scipy.special import ndtri

    _, first, which = np.unique(jobs, return_index=True, return_inverse=True)
    if first.size < FEW:
        return None
    means = np.bincount(which, normal_scores(pits)) / np.bincount(which)
    found = moments.lag1(means[np.argsort(first)])
    return None if math.isnan(found) else Runs(found, float(ndtri(0.5 + LEVEL / 2)) / math.sqrt(first.size))
