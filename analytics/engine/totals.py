"""The minutes of a whole job: stages of one job run long together, so their laws are added with correlation.

The correlation between two stages is the mean product of the normal scores of their past PITs, drawn towards
USUAL until there are many jobs. Adding the stages as if they were independent makes the total look too certain.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analytics.engine import calibration as calibrating
from analytics.engine.forecast import PROBS, Forecast

Floats = NDArray[np.float64]

USUAL = 0.2
"""The correlation between two stages of one job until the shop's own jobs say otherwise."""

WEIGHT = 30.0
"""What USUAL weighs, in jobs."""

FARTHEST = 3.0
"""A normal score counts as no farther out than this, so that one record cannot make a correlation."""

DRAWS = 2000


@dataclass(frozen=True, eq=False)
class Correlations:
    """Sums of products of the normal scores of stages that met in one job.

    names: stage columns, sorted. products, jobs: shape (k, k).
    """

    names: tuple[str, ...] = ()
    products: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    jobs: Floats = field(default_factory=lambda: np.zeros((0, 0)))

    def matrix(self, names: Sequence[str]) -> Floats:
        """The correlation matrix of the named columns, shape (len(names),) * 2: positive definite, diagonal 1."""
        at = {name: i for i, name in enumerate(self.names)}
        seen = np.array([at.get(name, -1) for name in names], dtype=int)
        both = (seen[:, None] >= 0) & (seen[None, :] >= 0) & (seen[:, None] != seen[None, :])
        products, jobs = np.zeros(both.shape), np.zeros(both.shape)
        if self.names:
            products = np.where(both, self.products[np.ix_(seen, seen)], 0.0)
            jobs = np.where(both, self.jobs[np.ix_(seen, seen)], 0.0)
        shrunk = (WEIGHT * USUAL + products) / (WEIGHT + jobs)
        np.fill_diagonal(shrunk, 1.0)
        return nearest_correlation(shrunk)

    def to_dict(self) -> dict[str, Any]:
        """JSON-safe; `from_dict` gives the same numbers back."""
        return {"names": list(self.names), "products": self.products.tolist(), "jobs": self.jobs.tolist()}

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> Correlations:
        """The correlations that `to_dict` stored."""
        k = len(stored["names"])
        products, jobs = (np.asarray(stored[key], float).reshape(k, k) for key in ("products", "jobs"))
        return cls(tuple(stored["names"]), products, jobs)


def with_job(known: Correlations, pits: Mapping[str, float]) -> Correlations:
    """The correlations after one more finished job: the PIT of each of its stage columns, by name."""
    from scipy.special import ndtri

    names = tuple(sorted(pits))
    scores = np.clip(ndtri(np.array([pits[name] for name in names])), -FARTHEST, FARTHEST)
    one = Correlations(names, np.outer(scores, scores), np.ones((len(names), len(names))))
    return merge_correlations(known, one)


def merge_correlations(a: Correlations, b: Correlations) -> Correlations:
    """What both have seen."""
    names = a.names if set(b.names) <= set(a.names) else tuple(sorted({*a.names, *b.names}))
    at = {name: i for i, name in enumerate(names)}
    products, jobs = np.zeros((len(names),) * 2), np.zeros((len(names),) * 2)
    for part in (a, b):
        where = np.ix_(*[[at[name] for name in part.names]] * 2)
        products[where] += part.products
        jobs[where] += part.jobs
    return Correlations(names, products, jobs)


def nearest_correlation(matrix: Floats, least: float = 1e-3) -> Floats:
    """A positive definite correlation matrix near a symmetric one: eigenvalues raised to `least`, diagonal 1."""
    if not matrix.size:
        return matrix
    values, vectors = np.linalg.eigh(matrix)
    if values[0] >= least:
        return matrix
    raised = (vectors * np.maximum(values, least)) @ vectors.T
    scale = 1.0 / np.sqrt(raised.diagonal())
    return np.asarray(raised * scale[:, None] * scale[None, :])


def columns(
    forecasts: Sequence[Forecast], correlation: Floats, rng: np.random.Generator, draws: int = DRAWS
) -> Floats:
    """Jointly drawn minutes of a job's stages, shape (draws, len(forecasts)), by a Gaussian copula.

    Each column holds its law's quantiles at (i + ½)/draws, in the order of correlated normals, so that every
    stage's own law is met exactly and only the togetherness is random (Iman & Conover, Communications in
    Statistics B 11, 1982).
    """
    normals = rng.standard_normal((draws, len(forecasts))) @ np.linalg.cholesky(correlation).T
    order = np.argsort(normals, axis=0)
    at = (np.arange(draws) + 0.5) / draws
    drawn = np.empty((draws, len(forecasts)))
    for j, forecast in enumerate(forecasts):
        drawn[order[:, j], j] = forecast.quantile(at)
    return drawn


def noise_only(forecasts: Sequence[Forecast], correlation: Floats) -> Floats:
    """The correlation of the laws, where only the work's own spread goes together; as large as what is given.

    Columns beyond the laws are of stages that are known. How far the rates of one kind are off says nothing of those
    of another, and while little is known that is most of a law's spread.
    """
    noise = np.ones(len(correlation))
    noise[: len(forecasts)] = np.sqrt([1.0 - f.kind_share for f in forecasts])
    matrix = correlation * np.outer(noise, noise)
    np.fill_diagonal(matrix, 1.0)
    return np.asarray(matrix)


def total(
    forecasts: Sequence[Forecast],
    correlation: Floats,
    rng: np.random.Generator,
    *,
    pits: Floats | None = None,
    draws: int = DRAWS,
) -> Forecast:
    """The law of the sum of a job's stages. No stages: zero minutes.

    correlation: shape (k, k). pits: PIT counts of past totals, shape (100,), to calibrate on.
    """
    if not forecasts:
        return Forecast(np.zeros(PROBS.size), 0.0, True, 0.0)
    if len(forecasts) == 1:
        sums = forecasts[0].quantile((np.arange(draws) + 0.5) / draws)
    else:
        sums = np.sort(columns(forecasts, noise_only(forecasts, correlation), rng, draws).sum(axis=1))
    stated = PROBS if pits is None else calibrating.stated_for(PROBS, calibrating.cumulative(pits))
    minutes = np.interp(stated, (np.arange(draws) + 0.5) / draws, sums)
    return Forecast(
        minutes,
        min(f.n for f in forecasts),
        all(f.is_default for f in forecasts),
        float(np.mean([f.kind_share for f in forecasts])),
    )
