"""A prior across shops: what one shop's posterior may say to the others, and what several of them say together.

Only posteriors of the trade's own formulas leave a shop: coefficients that mean the same in every shop, named by the
trade. No record does, and no name that a shop made up: no job type, person, machine, driver or stage kind of its own.

Shop s has the coefficients β_s ~ Normal(μ, T), T diagonal: a random-effects model (Higgins, Thompson, Spiegelhalter,
A re-evaluation of random-effects meta-analysis, J. R. Statist. Soc. A 172, 2009), fitted by expectation maximisation
(Dempster, Laird, Rubin, J. R. Statist. Soc. B 39, 1977). A new shop's prior is Normal(μ, T + what is unknown of μ).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analytics.engine.features import INTERCEPT, LOG, NEW, SHARE, SIZE
from analytics.engine.posterior import SHAPE, Prior, posterior, stock_prior
from analytics.engine.state import State
from analytics.engine.trade import DRIVERS, TRADE, TYPICAL, Part, PartDefault, defaults_for

Floats = NDArray[np.float64]

FEWEST_RECORDS = 20
"""Finished stages below which a shop says nothing of a stage kind."""

FEWEST_SHOPS = 3
"""Shops below which there is no prior across them: of two, each could work out what the other said."""

STOCK_SHOPS = 4.0
"""What the stock prior's variances weigh against those seen between shops, in shops."""

STEPS = 200
CLOSE = 1e-6
"""Steps of the expectation maximisation at most, and the change in log units at which it ends."""

SHAPES = (2.5, 8.0)
"""How little and how much the other shops' spread of log minutes may weigh, as a0."""

OUTLIER = 2.0
"""Standard deviations from the middle at which one shop's spread of log minutes is cut off."""


@dataclass(frozen=True)
class Published:
    """All that leaves a shop of one part of one stage kind: a posterior under the trade's prior. JSON-safe.

    n: finished stages. sigma: spread of log minutes. features: p names of the trade's. mean: their coefficients in
    log units. covariance: p rows of p.
    """

    kind: str
    part: Part
    n: int
    sigma: float
    features: tuple[str, ...]
    mean: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]

    @property
    def sds(self) -> tuple[float, ...]:
        """How sure each coefficient is: standard deviations, log units."""
        return tuple(math.sqrt(row[i]) for i, row in enumerate(self.covariance))

    def to_dict(self) -> dict[str, Any]:
        """What is sent, as JSON has it."""
        return asdict(self)


def published(state: State) -> Published | None:
    """What a shop says of one part of a stage kind; None where the trade has no formula or there is too little.

    It is worked out under the trade's prior, whatever the shop itself took from others, so that nothing comes back
    to where it came from; only how far each record was believed rests on what was known then.
    """
    default = state.default
    if state.kind not in TRADE or not default.components or state.n < FEWEST_RECORDS:
        return None
    common = common_features(default)
    at = [i for i, name in enumerate(state.names) if name in common]
    post = posterior(state, common_prior(default))
    sigma2 = float(post.b[0] / post.a[0])
    covariance = sigma2 * post.cov[0][np.ix_(at, at)]
    return Published(
        kind=state.kind,
        part=state.part,
        n=round(state.n),
        sigma=math.sqrt(sigma2),
        features=tuple(state.names[i] for i in at),
        mean=tuple(float(post.mean[0, i]) for i in at),
        covariance=tuple(tuple(map(float, row)) for row in 0.5 * (covariance + covariance.T)),
    )


def common_features(default: PartDefault) -> tuple[str, ...]:
    """The features whose coefficients mean the same in every shop."""
    shares = [SHARE + c.name for c in default.components] if len(default.components) > 1 else []
    return (INTERCEPT, *shares, *([SIZE] if default.drivers else []), NEW, *_outside(default))


def common_prior(default: PartDefault) -> Prior:
    """The stock prior, with the trade's drivers set against one point in all shops."""
    centres = {name: math.log1p(TYPICAL[name.removeprefix(LOG)]) for name in _outside(default)}
    return replace(stock_prior(default), centres=centres)


def _outside(default: PartDefault) -> tuple[str, ...]:
    """The features of the trade's drivers that the formula does without."""
    return tuple(LOG + driver for driver in DRIVERS if driver not in default.drivers)


def prior_across(said: Sequence[Published]) -> Prior | None:
    """The prior of another shop, from what these said of the same part; None for fewer than FEWEST_SHOPS.

    It never is narrower than the shops stand apart. Raises ValueError if they speak of different parts.
    """
    parts = {(one.kind, one.part) for one in said}
    if len(parts) > 1:
        raise ValueError(f"These are of different stage parts: {sorted(parts)}.")
    if len(said) < FEWEST_SHOPS:
        return None
    default = defaults_for(said[0].kind, said[0].part)
    stock, names = common_prior(default), common_features(default)
    precision, weighted = _likelihoods(said, stock, names)
    mean, variance = _random_effects(precision, weighted, np.array([stock.of(name) for name in names]))
    sigma, shape = _spread(said, stock.sigma)
    return replace(
        stock,
        sigma=sigma,
        shape=shape,
        means=dict(zip(names, mean.tolist(), strict=True)),
        sds=dict(zip(names, np.sqrt(variance).tolist(), strict=True)),
    )


def _likelihoods(said: Sequence[Published], stock: Prior, names: Sequence[str]) -> tuple[Floats, Floats]:
    """What each shop's own records say, its prior taken out again: precisions (k, p, p), and these times means (k, p).

    A feature that a shop has never seen has the precision 0 there.
    """
    precision, weighted = np.zeros((len(said), len(names), len(names))), np.zeros((len(said), len(names)))
    for s, one in enumerate(said):
        place = [names.index(name) for name in one.features]
        m0, sd0 = np.array([stock.of(name) for name in one.features]).T
        before = (stock.sigma / (sd0 * one.sigma)) ** 2
        after = np.linalg.inv(np.array(one.covariance))
        own = after - np.diag(before)
        # What the prior was taken out of may fall below nothing by rounding.
        values, vectors = np.linalg.eigh(0.5 * (own + own.T))
        precision[s][np.ix_(place, place)] = (vectors * np.maximum(values, 0.0)) @ vectors.T
        weighted[s, place] = after @ np.array(one.mean) - before * m0
    return precision, weighted


def _random_effects(precision: Floats, weighted: Floats, stock: Floats) -> tuple[Floats, Floats]:
    """Mean and variance of another shop's coefficients, each of shape (p,).

    precision: (k, p, p). weighted: (k, p). stock: (p, 2), means and sds, which count as one more shop for the mean and
    as STOCK_SHOPS for the variance between shops, where that widens it.
    """
    shops = len(precision)
    middle, stock_variance = stock[:, 0], stock[:, 1] ** 2
    mean, between = middle.copy(), stock_variance.copy()
    for _ in range(STEPS):
        own_variance = np.linalg.inv(precision + np.diag(1.0 / between))
        own = np.einsum("sij,sj->si", own_variance, weighted + mean / between)
        before = mean
        mean = (own.sum(axis=0) / between + middle / stock_variance) / (
            shops / between + 1.0 / stock_variance
        )
        apart = (own - mean) ** 2 + np.einsum("sii->si", own_variance)
        drawn = (STOCK_SHOPS * stock_variance + apart.sum(axis=0)) / (STOCK_SHOPS + shops)
        between = np.maximum(drawn, apart.mean(axis=0))
        if np.max(np.abs(mean - before)) < CLOSE:
            break
    return mean, between + _mean_variance(precision, between, stock_variance)


def _mean_variance(precision: Floats, between: Floats, stock_variance: Floats) -> Floats:
    """What is not known of the mean over all shops: variances, shape (p,)."""
    inverse = np.diag(1.0 / between)
    told = inverse - inverse @ np.linalg.inv(precision + inverse) @ inverse
    return np.asarray(np.linalg.inv(told.sum(axis=0) + np.diag(1.0 / stock_variance)).diagonal())


def _spread(said: Sequence[Published], stock_sigma: float) -> tuple[float, float]:
    """The middle spread of log minutes, and a0: how near to each other the shops' spreads are.

    The variance of log σ² is about 1 / a0.
    """
    logs = np.log([one.sigma**2 for one in said])
    apart = float(np.sum((logs - np.median(logs)) ** 2))
    between = (STOCK_SHOPS / SHAPE + apart) / (STOCK_SHOPS + len(said))
    reach = OUTLIER * math.sqrt(between)
    logs = np.clip(logs, np.median(logs) - reach, np.median(logs) + reach)
    weights = 1.0 / (between + 2.0 / np.array([one.n for one in said]))
    middle = (weights @ logs + math.log(stock_sigma**2) / between) / (weights.sum() + 1.0 / between)
    return math.exp(0.5 * float(middle)), float(np.clip(1.0 / between, *SHAPES))


def prior_to_dict(prior: Prior) -> dict[str, Any]:
    """JSON-safe; `prior_from_dict` gives the same numbers back."""
    return {
        "sigma": prior.sigma,
        "formula": prior.formula,
        "shape": prior.shape,
        **{name: dict(getattr(prior, name)) for name in ("means", "sds", "centres")},
    }


def prior_from_dict(stored: Mapping[str, Any]) -> Prior:
    """The prior that `prior_to_dict` stored. Raises KeyError for anything else."""
    return Prior(
        sigma=float(stored["sigma"]),
        formula=bool(stored["formula"]),
        shape=float(stored["shape"]),
        means=dict(stored["means"]),
        sds=dict(stored["sds"]),
        centres=dict(stored["centres"]),
    )
