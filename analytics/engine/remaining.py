"""What is left of a job in hand, given all that has been clocked of it.

The stages of one job run long together. Their normal scores are jointly normal with the correlations of `totals`, so:

- a finished stage is known: where it fell in its forecast moves the stages to come, by the conditional normal law;
- a begun stage is known to take longer than it has so far: its score is drawn from the same law above that of the
  elapsed minutes, and the stages to come move with it;
- a stage to come is drawn from what is then left of its law.

One begun part is drawn exactly. Of several the scores are drawn in turn, each given the others (Gibbs sampling of the
truncated normal: Geweke, Computing Science and Statistics 23, 1991).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analytics.engine.forecast import LONGEST, PROBS, SHORTEST, Forecast
from analytics.engine.totals import DRAWS, FARTHEST, columns, noise_only

Floats = NDArray[np.float64]

START_LEFT, MOST_SWEEPS = 1e-3, 30
"""Several begun parts are drawn in turn until so little of where the draws began is left, in so many rounds at most."""

_LEAST_GROWTH = 1e-3
"""Of log minutes with the score, beyond the end of a law that has no spread."""


@dataclass(frozen=True, eq=False)
class Left:
    """Jointly drawn minutes that are left, shape (draws, columns)."""

    minutes: Floats

    def quantile(self, p: ArrayLike, chosen: Sequence[int] | None = None) -> Floats:
        """Minutes that the sum of the chosen columns (None: all) stays within with probability p; same shape as p."""
        drawn = self.minutes if chosen is None else self.minutes[:, list(chosen)]
        sums = np.sort(drawn.sum(axis=1))
        return np.asarray(np.interp(np.asarray(p, float), (np.arange(sums.size) + 0.5) / sums.size, sums))


def remaining(
    laws: Sequence[Forecast],
    elapsed: ArrayLike,
    pits: ArrayLike,
    correlation: Floats,
    rng: np.random.Generator,
    *,
    draws: int = DRAWS,
) -> Left:
    """The minutes left of the parts of stages that are not finished.

    laws: one for each part. elapsed: minutes that it has taken so far, 0 where it has not begun, shape (k,).
    pits: where the finished parts fell in their forecasts, in (0, 1), shape (f,). correlation: of the parts to come
    and then the finished ones, shape (k + f, k + f), positive definite. Raises ValueError for other shapes or values.
    """
    past, fell = np.asarray(elapsed, float), np.asarray(pits, float)
    _check(laws, past, fell, correlation)
    correlation = noise_only(laws, correlation)
    if not laws:
        return Left(np.zeros((draws, 0)))
    if not fell.size and not past.any():
        return Left(columns(laws, correlation, rng, draws))
    mean, covariance = given_scores(correlation, fell)
    least = np.array([_score_of(law, minutes) for law, minutes in zip(laws, past, strict=True)])
    scores = _scores(mean, covariance, least, rng, draws)
    left = [_left_at(law, minutes, z) for law, minutes, z in zip(laws, past, scores, strict=True)]
    return Left(np.stack(left, axis=1))


def given_scores(correlation: Floats, pits: Floats) -> tuple[Floats, Floats]:
    """Mean and covariance of the normal scores of the first columns, given where the last ones fell.

    pits: of the last columns, in (0, 1), shape (f,); a score counts as no farther out than FARTHEST, so that one
    record does not carry the whole job with it. Shapes (k,) and (k, k).
    """
    from scipy.special import ndtri  # here, for scipy is slow to load

    k = len(correlation) - pits.size
    pull = np.linalg.solve(correlation[k:, k:], correlation[k:, :k]).T
    known = np.clip(ndtri(pits), -FARTHEST, FARTHEST)
    return pull @ known, correlation[:k, :k] - pull @ correlation[k:, :k]


def _check(laws: Sequence[Forecast], elapsed: Floats, pits: Floats, correlation: Floats) -> None:
    size = len(laws) + pits.size
    if elapsed.shape != (len(laws),) or pits.ndim != 1 or correlation.shape != (size, size):
        raise ValueError(
            f"{len(laws)} laws, {elapsed.shape} elapsed minutes, {pits.shape} PITs and a correlation of "
            f"{correlation.shape} do not belong together."
        )
    if not (np.isfinite(elapsed).all() and np.all(elapsed >= 0.0)):
        raise ValueError(f"Elapsed minutes must be 0 or more: {elapsed.tolist()}.")
    if not np.all((pits > 0.0) & (pits < 1.0)):
        raise ValueError(f"PITs must lie between 0 and 1: {pits.tolist()}.")


def _scores(mean: Floats, covariance: Floats, least: Floats, rng: np.random.Generator, draws: int) -> Floats:
    """Normal scores given that each is above its least one (−inf: not begun), shape (columns, draws)."""
    begun = np.isfinite(least)
    coming = ~begun
    scores = np.empty((mean.size, draws))
    scores[begun] = _above(mean[begun], covariance[np.ix_(begun, begun)], least[begun], rng, draws)
    pull = np.linalg.solve(covariance[np.ix_(begun, begun)], covariance[np.ix_(begun, coming)]).T
    spread = covariance[np.ix_(coming, coming)] - pull @ covariance[np.ix_(begun, coming)]
    noise = np.linalg.cholesky(spread) @ rng.standard_normal((int(coming.sum()), draws))
    scores[coming] = mean[coming, None] + pull @ (scores[begun] - mean[begun, None]) + noise
    return scores


def _above(mean: Floats, covariance: Floats, least: Floats, rng: np.random.Generator, draws: int) -> Floats:
    """A normal vector given that each component is above its least value, shape (m, draws)."""
    scale = np.sqrt(covariance.diagonal())
    scores = np.empty((mean.size, draws))
    for i in range(mean.size):
        scores[i] = _tail(mean[i], scale[i], least[i], rng, draws)
    if mean.size < 2:
        return scores
    precision = np.linalg.inv(covariance)
    alone = 1.0 / precision.diagonal()
    for _ in range(_sweeps(covariance / np.outer(scale, scale))):
        for i in range(mean.size):
            off = precision[i] @ (scores - mean[:, None]) - precision[i, i] * (scores[i] - mean[i])
            scores[i] = _tail(mean[i] - alone[i] * off, np.sqrt(alone[i]), least[i], rng, draws)
    return scores


def _sweeps(correlation: Floats) -> int:
    """Rounds of drawing in turn: each keeps of the start what two steps along the strongest correlation do."""
    strongest = float(np.max(np.abs(correlation - np.eye(len(correlation)))))
    if strongest <= 0.0:
        return 1
    return min(int(np.ceil(np.log(START_LEFT) / (2.0 * np.log(min(strongest, 0.99))))) + 1, MOST_SWEEPS)


def _tail(mean: ArrayLike, scale: float, least: float, rng: np.random.Generator, draws: int) -> Floats:
    """Normals above `least`, one from each of `draws` equally likely strata, in any order, shape (draws,)."""
    from scipy.special import log_ndtr, ndtri_exp

    middle = np.asarray(mean, float)
    at = np.log((rng.permutation(draws) + rng.uniform(1e-9, 1.0, draws)) / draws)
    drawn = middle - scale * ndtri_exp(log_ndtr((middle - least) / scale) + at)
    return np.asarray(np.maximum(drawn, least))


def _score_of(law: Forecast, minutes: float) -> float:
    """The normal score of so many minutes; −inf where a stage has not begun, or takes that long in any case."""
    from scipy.special import ndtri

    if minutes <= 0.0 or minutes < law.minutes[0] or law.minutes[0] == law.minutes[-1]:
        return -np.inf
    if minutes < law.minutes[-1]:
        return float(ndtri(law.cdf(minutes)))
    last, growth = _beyond(law)
    return float(last + np.log(minutes / law.minutes[-1]) / growth)


def _left_at(law: Forecast, elapsed: float, scores: Floats) -> Floats:
    """Minutes left at these normal scores; same shape."""
    from scipy.special import ndtr

    minutes = law.quantile(ndtr(scores))
    if elapsed <= 0.0:
        return minutes
    if law.minutes[0] < law.minutes[-1]:
        last, growth = _beyond(law)
        longer = law.minutes[-1] * np.exp(np.minimum(growth * np.maximum(scores - last, 0.0), 50.0))
        minutes = np.where(scores > last, np.minimum(longer, max(LONGEST, 2.0 * elapsed)), minutes)
    return np.maximum(minutes - elapsed, 0.0)


def _beyond(law: Forecast) -> tuple[float, float]:
    """The score at which the law ends, and how log minutes go on growing with the score past it: as they did from the
    middle to there. A stage may have outlasted all that was thought possible; some is still left of it then."""
    from scipy.special import ndtri

    last = float(ndtri(PROBS[-1]))
    middle = max(float(law.quantile(0.5)), SHORTEST)
    return last, max(float(np.log(max(law.minutes[-1], SHORTEST) / middle)) / last, _LEAST_GROWTH)
