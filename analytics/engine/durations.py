"""The minutes of a stage: learn from each finished one, forecast the next.

`entry_of` judges a record by what is known before it: how far it can be believed, and where it fell. `with_entry`
adds it to the state's sums (`update` does both), `merge` adds two states, `predict` gives the law of a new stage's
minutes: a mixture of what all the past says and what the late past says, as each has forecast better. Everything
here is a pure function of its arguments.

One `State` per shop, stage kind and part. Beside them a shop keeps, per part, one pooled state
(`pooling.pooled_state`, fed by `update_pooled`): the prior of its kinds that have no trade formula. The PIT counts
of all its kinds (`shop_pits`) sharpen the calibration of each.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analytics.engine import calibration as calibrating
from analytics.engine.features import AS_ONE, Row, row
from analytics.engine.forecast import DISRUPTED, PROBS, SHORTEST, Blend, Forecast
from analytics.engine.pooling import KIND, pooled_state, prior_from
from analytics.engine.posterior import Posterior, Prior, posterior, stock_prior
from analytics.engine.state import Entry, State, merge, with_entry
from analytics.engine.student import weights_of
from analytics.engine.trade import PartDefault, as_one
from analytics.engine.trust import CLEAN, FORGOTTEN, LATE, trust

__all__ = [
    "PROBS",
    "Entry",
    "Forecast",
    "Observation",
    "State",
    "entry_of",
    "merge",
    "pooled_state",
    "predict",
    "shop_pits",
    "trouble_share",
    "update",
    "update_pooled",
    "with_entry",
]

Floats = NDArray[np.float64]

LOG_FAVOUR: Floats = np.log([0.8, 0.15, 0.05])
"""How far each half-life is believed before its forecasts have been scored."""

TROUBLE_WEIGHT = 50.0
"""What the default share of disrupted stages weighs, in records."""

STRAY = 1.0
"""Doubtful records beyond the half of all that are no sign yet."""

MOST_FREEDOM = 1e4
"""Degrees of freedom beyond which a Student's t is a normal law."""

ZERO_WEIGHT = 1.0
"""What the default weighs, in records, against how often a part was seen to take no time at all."""


@dataclass(frozen=True)
class Observation:
    """One part of one finished stage.

    minutes: clean minutes, 0 or more. drivers: by name. categories: job_type, person, machine and the shop's own.
    at: when it finished, minutes since the origin. weight: how much of a record it is, 0 to 1.
    is_wait: whether nobody works at it, so that there is no stop to be forgotten. alone: the minutes that its machine
    ran alone, beside hands-on ones; None: not known.
    """

    minutes: float
    drivers: Mapping[str, float] = field(default_factory=dict)
    categories: Mapping[str, str] = field(default_factory=dict)
    at: float = 0.0
    weight: float = 1.0
    is_wait: bool = False
    alone: float | None = None

    def __post_init__(self) -> None:
        """Raises ValueError for minutes or a weight that no record can have."""
        if not (math.isfinite(self.minutes) and self.minutes >= 0.0):
            raise ValueError(f"A stage cannot take {self.minutes} minutes.")
        if not (math.isfinite(self.weight) and self.weight >= 0.0):
            raise ValueError(f"A record cannot weigh {self.weight}.")


def update(
    state: State, observation: Observation, *, pooled: State | None = None, prior: Prior | None = None
) -> State:
    """The state after one more finished stage. Records the PIT that it had under the state before.

    pooled, prior: what else is known, as given to `predict`.
    """
    return with_entry(state, entry_of(state, observation, pooled=pooled, prior=prior))


def entry_of(
    state: State, observation: Observation, *, pooled: State | None = None, prior: Prior | None = None
) -> Entry:
    """A finished stage as it enters the sums, judged by what is known before it."""
    count = observation.weight
    if observation.minutes == 0.0:
        return Entry(observation.at, count)
    log_minutes = math.log(max(observation.minutes, SHORTEST))
    law, _, (features, offset) = _law(
        state, observation.drivers, observation.categories, pooled, prior, observation.alone
    )
    found, scores = trust(log_minutes, law, *((0.0, 0.0) if observation.is_wait else (FORGOTTEN, LATE)))
    if mostly_doubted(state):
        found = CLEAN
    sound = count * found.sound
    return Entry(
        at=observation.at,
        count=count,
        features=features,
        y=log_minutes - offset,
        weight=count * found.clean,
        sound=sound,
        troubled=count * found.disrupted,
        scores=sound * (scores - scores[0]),
        pit=float(law.cdf(log_minutes)),
    )


def update_pooled(pooled: State, kind: str, observation: Observation, trust: float = 1.0) -> State:
    """The pooled state after one more finished stage of a kind; unchanged where the trade has a formula for it.

    trust: the weight that the record had at its kind.
    """
    if observation.minutes == 0.0 or State.empty(kind, pooled.part).default.components:
        return pooled
    categories = {**observation.categories, KIND: kind}
    features, offset = row(pooled.default, observation.drivers, categories, lambda _: math.inf)
    y = math.log(max(observation.minutes, SHORTEST)) - offset
    count = observation.weight
    return with_entry(pooled, Entry(observation.at, count, features, y, count * trust, count))


def predict(
    state: State,
    drivers: Mapping[str, float],
    categories: Mapping[str, str],
    *,
    calibration: Floats | None = None,
    pooled: State | None = None,
    prior: Prior | None = None,
) -> Forecast:
    """The law of a new stage's minutes.

    A driver or category that is not given is not known: the law is wider for it.
    calibration: PIT counts of all the shop's kinds (`shop_pits`), shape (100,); None: this kind's own alone.
    pooled: the shop's pooled state of this part; without one a kind without formula starts from nothing.
    prior: what other shops' posteriors say of this part; None: the trade default.
    """
    never = _zero_share(state)
    if never >= 1.0:
        return Forecast(np.zeros(PROBS.size), state.n + state.zeros, state.n + state.zeros == 0, 0.0)
    law, kind_share, _ = _law(state, drivers, categories, pooled, prior)
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


def law_of(
    state: State,
    drivers: Mapping[str, float],
    categories: Mapping[str, str],
    *,
    pooled: State | None = None,
    prior: Prior | None = None,
) -> tuple[Blend, Row, float]:
    """The law of log minutes before calibration, the stage's features, and the log of the trade formula."""
    law, _, (features, offset) = _law(state, drivers, categories, pooled, prior)
    return law, features, offset


def warm_up() -> None:
    """Compile what learning and forecasting need, so that its machine code lies in numba's cache."""
    known = update(State.empty("install"), Observation(60.0, {"area_m2": 2.0}))
    pooled = update_pooled(pooled_state(), "hem", Observation(60.0))
    predict(known, {"area_m2": 2.0}, {})
    predict(State.empty("hem"), {}, {}, pooled=pooled)


def _law(
    state: State,
    drivers: Mapping[str, float],
    categories: Mapping[str, str],
    pooled: State | None,
    prior: Prior | None,
    alone: float | None = None,
) -> tuple[Blend, float, tuple[Row, float]]:
    """The law of log minutes before calibration, the coefficients' part of its variance, features and offset."""
    both = as_one(state.kind) if state.part == "hands_on" else None
    if both is not None and not (alone == 0.0 if alone is not None else mostly_as_one(state)):
        both = None
    features, offset = row(both or state.default, drivers, categories, state.count, as_one=both is not None)
    post = _posterior(state, pooled, prior)
    location, variance, shared = post.predict(features)
    weights = mixing(state)
    df = _freedom(2.0 * post.a, variance, variance - shared)
    law = Blend(location + offset, np.sqrt(variance), df, weights, trouble_share(state))
    return law, float(weights @ (shared / variance)), (features, offset)


def mostly_as_one(state: State) -> bool:
    """Whether most hands-on records are of a clock that does not tell hands-on and machine minutes apart."""
    return 2.0 * state.count(AS_ONE) > float(state.mass[0])


def default_of(state: State) -> PartDefault:
    """The trade default that forecasts from this state are made from: of both parts where they are clocked in one."""
    both = as_one(state.kind) if state.part == "hands_on" else None
    return both if both is not None and mostly_as_one(state) else state.default


def _freedom(df: Floats, variance: Floats, noise: Floats) -> Floats:
    """Degrees of freedom of a law whose variance is in doubt only as far as it is the noise's, shape (c,).

    The more of it is what a shop's rates may be, by a prior in log units as they are, the nearer it is to normal:
    Satterthwaite, An approximate distribution of estimates of variance components, Biometrics Bulletin 2 (1946).
    """
    return np.minimum(df * (variance / noise) ** 2, MOST_FREEDOM)


def mixing(state: State) -> Floats:
    """How far each copy is believed, shape (c,): by its log scores, from LOG_FAVOUR."""
    return np.asarray(weights_of(LOG_FAVOUR[: state.mass.size] + state.scores))


def mostly_doubted(state: State) -> bool:
    """Whether most records, of all the past or of the late past, were taken for anything but clean work.

    Neither is most of a shop's work in trouble nor most of its clock wrong: then what was expected is wrong, as where
    the shop stands far from the trade default or works otherwise since a while, and a record is taken as it is. Judged
    one by one, each would look like a fault, and the shop would never be learned.
    """
    pairs = zip(state.seen.tolist(), state.mass.tolist(), strict=True)
    return any(seen - clean > 0.5 * seen + STRAY for seen, clean in pairs)


def trouble_share(state: State) -> float:
    """The probability that a stage runs into trouble: the default, as if seen on TROUBLE_WEIGHT records, and the
    shop's own."""
    troubled, of = state.disrupted
    return (DISRUPTED * TROUBLE_WEIGHT + troubled) / (TROUBLE_WEIGHT + of)


def _posterior(state: State, pooled: State | None, prior: Prior | None) -> Posterior:
    """The state's posterior, kept with it for as long as the pooled state and the prior are the same."""
    kept = state.__dict__.get("_posterior")
    if kept is not None and kept[0] is pooled and kept[1] is prior:
        return kept[2]  # type: ignore[no-any-return]
    default = state.default
    shares = pooled is not None and not default.components
    known = prior_from(pooled) if pooled is not None and shares else prior
    made = posterior(state, known or stock_prior(default))
    state.__dict__["_posterior"] = (pooled, prior, made)
    return made


def _zero_share(state: State) -> float:
    """The probability that this part takes no time: as often as was seen, from a default that it always does or
    never does. Where most records have machine and hands-on minutes in one, these are forecast as one too."""
    if state.part == "unattended" and state.zeros > state.n and as_one(state.kind) is not None:
        return 1.0
    prior = 0.0 if state.default.usual else ZERO_WEIGHT
    return (state.zeros + prior) / (state.n + state.zeros + ZERO_WEIGHT)
