"""What a shop's stage kinds without a trade formula share, so that a new one need not start from nothing.

A pooled state sees the stages of all those kinds, with the kind as one more category. Its posterior (the usual
level and how far kinds stand from it, the drivers' slopes, who is quick) is the prior of each single kind.
"""

from __future__ import annotations

import math

from analytics.engine.features import INTERCEPT, IS, LOG, group_of
from analytics.engine.posterior import CATEGORY_SD, Posterior, Prior, posterior
from analytics.engine.state import State
from analytics.engine.trade import UNKNOWN, Part

POOL = "*"
"""The stage kind of a pooled state."""

KIND = "*kind"
"""The category that tells the stage kinds apart in a pooled state."""

KIND_SD = 1.0
KIND_WEIGHT = 4.0
"""Prior sd of the kinds' levels about the shop's, in log units, and what it weighs, in kinds."""

POOL_CATEGORY_SD = {**CATEGORY_SD, "job_type": 0.35, KIND: KIND_SD}

SLOPE_SD = 0.15
"""How far one kind's slope may stand from the shop's."""

CARRIED = 0.7
"""The part of a category's pooled effect that is expected at any one kind."""

POOLED_SHAPE = 6.0


def pooled_state(part: Part = "hands_on") -> State:
    """A pooled state that has seen nothing."""
    return State.empty(POOL, part, copies=1)


def prior_from(pooled: State) -> Prior | None:
    """The prior that a pooled state gives to a kind without a formula; None before its first stage."""
    if pooled.n <= 0:
        return None
    stored = pooled.__dict__.get("_prior")
    if stored is None:
        stored = pooled.__dict__["_prior"] = _prior(posterior(pooled, _pool_prior()))
    return stored if isinstance(stored, Prior) else None


def _pool_prior() -> Prior:
    return Prior(UNKNOWN.sigma, formula=False, category_sds=POOL_CATEGORY_SD)


def _prior(post: Posterior) -> Prior:
    """A kind's prior from the pooled posterior."""
    sigma2 = float(post.b[0] / post.a[0])
    variance = post.cov[0].diagonal() * sigma2
    means: dict[str, float] = {}
    sds: dict[str, float] = {}
    centres: dict[str, float] = {}
    between = [KIND_SD**2] * int(KIND_WEIGHT)
    for i, name in enumerate(post.names):
        mean, own = float(post.mean[0, i]), float(variance[i])
        if group_of(name) == KIND:
            between.append(mean**2 + own)
        elif name.startswith(LOG):
            has = post.names.index("has:" + name[len(LOG) :])
            means[name], sds[name] = mean, math.hypot(SLOPE_SD, math.sqrt(own))
            centres[name] = -float(post.change[has, i])
        elif name.startswith(IS):
            means[name] = CARRIED * mean
        elif name == INTERCEPT:
            means[name], level = mean, own
    sds[INTERCEPT] = math.sqrt(sum(between) / len(between) + level)
    return Prior(math.sqrt(sigma2), formula=False, shape=POOLED_SHAPE, means=means, sds=sds, centres=centres)
