"""The posterior of a stage's regression: normal-inverse-gamma, with partial pooling.

Prior: β | σ² ~ Normal(m0, σ²·D), σ² ~ InverseGamma(a0, b0), D diagonal. Effects of job types, people and machines
are drawn towards the stage's level, the level towards the trade formula. Posterior by conjugacy: Bishop,
Pattern Recognition and Machine Learning (2006), exercise 3.12.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from analytics.engine.features import HAS, INTERCEPT, IS, LOG, NEW, SIZE, group_of, groups_in
from analytics.engine.solving import expected, solved
from analytics.engine.state import State, positions, vector
from analytics.engine.trade import PartDefault

Floats = NDArray[np.float64]

SHAPE = 5.0
"""a0: log minutes start with 2 × SHAPE degrees of freedom, as if the spread had been seen on ten records."""

FORMULA_SD = 0.45
"""How far a shop's level may stand from the trade formula, in log units."""

WIDE = 0.8
"""A default with a spread beyond this is not believed in its level more than in its spread."""

BLANK_SD = 1.7
"""The same where there is no formula: minutes and days are both possible."""

SHARE_SD = 0.3
"""How far a shop's rate for one component may stand from the default, apart from its level, in log units."""

CATEGORY_SD: Mapping[str, float] = {"job_type": 0.25, "person": 0.2, "machine": 0.2}
OTHER_CATEGORY_SD = 0.2

ELASTICITY = {True: (0.0, 0.15), False: (0.4, 0.4)}
"""Prior mean and sd of d log(minutes) / d log(1 + driver), for a driver outside the formula: with, without one. The
mean is of a driver that is the only one; several share it, see `_shared`."""

OTHERS: Mapping[str, tuple[float, float]] = {SIZE: (0.0, 0.15), NEW: (0.1, 0.15)}


@dataclass(frozen=True, eq=False)
class Prior:
    """Prior means and standard deviations by feature; what is not named takes the stock value.

    sigma: spread of log minutes. shape: a0. centres: the point that each driver's log1p is set against; what is
    not named is set against its mean so far.
    """

    sigma: float
    formula: bool
    shape: float = SHAPE
    means: Mapping[str, float] = field(default_factory=dict)
    sds: Mapping[str, float] = field(default_factory=dict)
    category_sds: Mapping[str, float] = field(default_factory=lambda: CATEGORY_SD)
    centres: Mapping[str, float] = field(default_factory=dict)

    def of(self, name: str) -> tuple[float, float]:
        """Mean and standard deviation of one coefficient, in log units."""
        mean, sd = self._stock(name)
        return self.means.get(name, mean), self.sds.get(name, sd)

    def group_sd(self, group: str) -> float:
        """How far the levels of a category stand from each other, in log units."""
        return self.category_sds.get(group, OTHER_CATEGORY_SD)

    def _stock(self, name: str) -> tuple[float, float]:
        if name == INTERCEPT:
            return 0.0, FORMULA_SD if self.formula else BLANK_SD
        if name.startswith(IS):
            return 0.0, self.group_sd(group_of(name) or "")
        if name.startswith(LOG):
            return ELASTICITY[self.formula]
        return OTHERS.get(name, (0.0, SHARE_SD))


@lru_cache(maxsize=256)
def stock_prior(default: PartDefault) -> Prior:
    """The prior of a stage part whose shop has taught nothing else.

    A default that spreads over days, as a wait's does, is no surer of its level.
    """
    level = {INTERCEPT: default.sigma} if default.components and default.sigma > WIDE else {}
    return Prior(default.sigma, bool(default.components), sds=level)


@dataclass(frozen=True, eq=False)
class Posterior:
    """β | σ² ~ Normal(mean, σ²·cov), σ² ~ InverseGamma(a, b), in coordinates centred on what was seen.

    One for each of the state's c copies. mean: shape (c, p). cov: shape (c, p, p). a, b: shape (c,).
    change: shape (p, p); raw row @ change = centred row.
    """

    prior: Prior
    names: tuple[str, ...]
    mean: Floats
    cov: Floats
    change: Floats
    a: Floats
    b: Floats

    def predict(self, features: Mapping[str, float]) -> tuple[Floats, Floats, Floats]:
        """Location and scale² of a new response's Student-t, and the part of scale² that is the coefficients'; (c,).

        2a are its degrees of freedom. A feature that was never seen adds its prior, and so does a category that
        the shop records but that is not yet known for this stage.
        """
        x = vector(self.names, features) @ self.change
        location, leverage = expected(self.mean, self.cov, x)
        index, extra = positions(self.names), 0.0
        for name, value in features.items():
            if name not in index:
                mean, sd = self.prior.of(name)
                value = self._unseen(name, value)
                location = location + value * mean
                extra += (value * sd) ** 2
        for group in groups_in(self.names) - groups_in(tuple(features)):
            extra += self.prior.group_sd(group) ** 2
        leverage = leverage + extra / self.prior.sigma**2
        scale2 = self.b / self.a
        return location, scale2 * (1.0 + leverage), scale2 * leverage

    def _unseen(self, name: str, value: float) -> float:
        """A driver that was never seen has no mean to be set against, unless the prior knows one."""
        if name.startswith(HAS):
            return 0.0
        return value - self.prior.centres.get(name, value) if name.startswith(LOG) else value


def posterior(state: State, prior: Prior) -> Posterior:
    """What the state and the prior say together. Cost: one inverse of p × p for each copy."""
    m0, sd0 = _prior_arrays(state.names, prior)
    precision0 = (prior.sigma / sd0) ** 2
    change = centring(state, prior.centres)
    mean, cov, b = solved(
        state.xtwx, state.xtwy, state.ytwy, change, m0, precision0, prior.shape * prior.sigma**2
    )
    return Posterior(prior, state.names, mean, cov, change, prior.shape + 0.5 * state.mass, b)


@lru_cache(maxsize=1024)
def _prior_arrays(names: tuple[str, ...], prior: Prior) -> tuple[Floats, Floats]:
    """Prior means and standard deviations in the order of the names, each of shape (p,)."""
    pairs = np.array([prior.of(name) for name in names])
    drivers = [i for i, name in enumerate(names) if name.startswith(LOG) and name not in prior.means]
    pairs[drivers, 0] *= _shared(len(drivers))
    return pairs[:, 0], pairs[:, 1]


def _shared(drivers: int) -> float:
    """What each of several drivers has of a single one's mean elasticity.

    They grow together with the work, which grows with its size and not with a power of it: together they come no
    nearer than twice a single one's mean, as if one more driver that nobody gave had a share too.
    """
    return 2.0 / (drivers + 1.0)


def centring(state: State, centres: Mapping[str, float]) -> Floats:
    """The change of coordinates that sets each driver against a middle value, shape (p, p).

    A driver d has the raw columns has:d (given: 1) and log:d (0 if not given). Its new columns are 1 − has:d, so
    that a driver that is always given says nothing, and log:d − c·has:d, with c the mean of log:d where given.
    """
    change = np.eye(len(state.names))
    for driver, has, log in _driver_columns(state.names):
        change[0, has], change[has, has] = 1.0, -1.0
        if log is not None and state.xtwx[0, has, has] > 0:
            mean = state.xtwx[0, has, log] / state.xtwx[0, has, has]
            change[has, log] = -centres.get(driver, mean)
    return change


@lru_cache(maxsize=1024)
def _driver_columns(names: tuple[str, ...]) -> list[tuple[str, int, int | None]]:
    """Each driver's log feature, and where its has: and log: columns stand. The intercept stands first."""
    index = positions(names)
    drivers = [(LOG + name[len(HAS) :], at) for name, at in index.items() if name.startswith(HAS)]
    return [(driver, has, index.get(driver)) for driver, has in drivers]
