"""The minutes of a stage: learn from each finished one, forecast the next.

`update` turns an observation into the state's sums, `merge` adds two states, `predict` gives the law of a new
stage's minutes. Everything here is a pure function of its arguments.

One `State` per shop, stage kind and part. Beside them a shop keeps, per part, one pooled state
(`pooling.pooled_state`, fed by `update_pooled`): the prior of its kinds that have no trade formula. The PIT counts
of all its kinds (`shop_pits`) sharpen the calibration of each.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from analytics.engine import calibration as calibrating
from analytics.engine.features import Row, row
from analytics.engine.forecast import PROBS, SHORTEST, Forecast, LogLaw
from analytics.engine.pooling import KIND, pooled_state, prior_from
from analytics.engine.posterior import Posterior, posterior, stock_prior
from analytics.engine.state import State, merge, with_row

__all__ = [
    "PROBS",
    "Forecast",
    "Observation",
    "State",
    "merge",
    "pooled_state",
    "predict",
    "shop_pits",
    "update",
    "update_pooled",
]

Floats = NDArray[np.float64]

ZERO_WEIGHT = 1.0
"""What the default weighs, in records, against how often a part was seen to take no time at all."""


@dataclass(frozen=True)
class Observation:
    """One part of one finished stage.

    minutes: clean minutes, 0 or more. drivers: by name. categories: job_type, person, machine and the shop's own.
    at: when it finished, minutes since the origin. weight: how sure it is that the record is clean, 0 to 1.
    """

    minutes: float
    drivers: Mapping[str, float] = field(default_factory=dict)
    categories: Mapping[str, str] = field(default_factory=dict)
    at: float = 0.0
    weight: float = 1.0

    def __post_init__(self) -> None:
        """Raises ValueError for minutes or a weight that no record can have."""
        if not (math.isfinite(self.minutes) and self.minutes >= 0.0):
            raise ValueError(f"A stage cannot take {self.minutes} minutes.")
        if not (math.isfinite(self.weight) and self.weight >= 0.0):
            raise ValueError(f"A record cannot weigh {self.weight}.")


def update(state: State, observation: Observation, *, pooled: State | None = None) -> State:
    """The state after one more finished stage. Records the PIT that it had under the state before.

    pooled: what the shop's other kinds have taught, as given to `predict`.
    """
    if observation.minutes == 0.0:
        return replace(state, zeros=state.zeros + observation.weight)
    log_minutes = math.log(max(observation.minutes, SHORTEST))
    law, _, (features, offset) = _law(state, observation.drivers, observation.categories, pooled)
    return with_row(state, features, log_minutes - offset, observation.weight, float(law.cdf(log_minutes)))


def update_pooled(pooled: State, kind: str, observation: Observation) -> State:
    """The pooled state after one more finished stage of a kind; unchanged where the trade has a formula for it."""
    if observation.minutes == 0.0 or State.empty(kind, pooled.part).default.components:
        return pooled
    categories = {**observation.categories, KIND: kind}
    features, offset = row(pooled.default, observation.drivers, categories, lambda _: math.inf)
    y = math.log(max(observation.minutes, SHORTEST)) - offset
    return with_row(pooled, features, y, observation.weight, math.nan)


def predict(
    state: State,
    drivers: Mapping[str, float],
    categories: Mapping[str, str],
    *,
    calibration: Floats | None = None,
    pooled: State | None = None,
) -> Forecast:
    """The law of a new stage's minutes.

    A driver or category that is not given is not known: the law is wider for it.
    calibration: PIT counts of all the shop's kinds (`shop_pits`), shape (100,); None: this kind's own alone.
    pooled: the shop's pooled state of this part; without one a kind without formula starts from nothing.
    """
    law, kind_share, _ = _law(state, drivers, categories, pooled)
    never = _zero_share(state)
    if never >= 1.0:
        minutes = np.zeros(PROBS.size)
    else:
        positive = np.clip((PROBS - never) / (1.0 - never), 0.0, 1.0)
        stated = calibrating.stated_for(positive, calibrating.cumulative(state.pits, calibration))
        minutes = np.where(never >= PROBS, 0.0, law.minutes_at(stated))
    return Forecast(minutes, state.n + state.zeros, state.n + state.zeros == 0, kind_share)


def shop_pits(states: Iterable[State]) -> Floats:
    """The PIT counts of all the shop's kinds together, shape (100,)."""
    total = calibrating.empty()
    for state in states:
        total += state.pits
    return total


def _law(
    state: State, drivers: Mapping[str, float], categories: Mapping[str, str], pooled: State | None
) -> tuple[LogLaw, float, tuple[Row, float]]:
    """The law of log minutes before calibration, the coefficients' part of its variance, features and offset."""
    features, offset = row(state.default, drivers, categories, state.count)
    post = _posterior(state, pooled)
    location, variance, shared = post.predict(features)
    law = LogLaw(location + offset, math.sqrt(variance), 2.0 * post.a)
    return law, shared / variance, (features, offset)


def _posterior(state: State, pooled: State | None) -> Posterior:
    """The state's posterior, kept with it for as long as the pooled state is the same."""
    kept = state.__dict__.get("_posterior")
    if kept is not None and kept[0] is pooled:
        return kept[1]  # type: ignore[no-any-return]
    default = state.default
    prior = prior_from(pooled) if pooled is not None and not default.components else None
    made = posterior(state, prior or stock_prior(default))
    state.__dict__["_posterior"] = (pooled, made)
    return made


def _zero_share(state: State) -> float:
    """The probability that this part takes no time: as often as was seen, from a default that it always does or
    never does."""
    prior = 0.0 if state.default.usual else ZERO_WEIGHT
    return (state.zeros + prior) / (state.n + state.zeros + ZERO_WEIGHT)
