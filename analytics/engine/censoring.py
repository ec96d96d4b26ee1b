"""Stages that are still running say something too: that such a stage takes longer than they have so far.

A stage that has run for c minutes is a record censored at c. With z = (log c − location) / scale and the normal
hazard λ(z), it enters the sums as a row of weight λ(λ − z), which is its share of a whole record's information, with
the response location + scale / (λ − z): one step of iteratively reweighted least squares on the censored likelihood
(Aitkin, A note on the regression analysis of censored data, Technometrics 23, 1981). A few steps are taken.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from analytics.engine.durations import Entry, Observation, State, law_of, with_entry
from analytics.engine.forecast import SHORTEST
from analytics.engine.posterior import Prior
from analytics.engine.trust import trust

STEPS = 3


def with_running(
    state: State,
    running: Sequence[Observation],
    *,
    pooled: State | None = None,
    prior: Prior | None = None,
) -> State:
    """The state as it also knows stages that are not finished; their `minutes` are those so far, `at` is now.

    It is made for a forecast and never stored: the finished record will take the place of the running one. What has
    hardly begun weighs next to nothing, and so does what has most likely been forgotten.
    """
    found = state
    begun = [one for one in running if one.minutes > SHORTEST]
    for _ in range(STEPS if begun else 0):
        entries = [_entry(found, one, pooled, prior) for one in begun]
        found = state
        for entry in entries:
            found = with_entry(found, entry)
    return found


def _entry(state: State, seen: Observation, pooled: State | None, prior: Prior | None) -> Entry:
    law, features, offset = law_of(state, seen.drivers, seen.categories, pooled=pooled, prior=prior)
    location, scale = float(law.location @ law.weight), float(law.scale @ law.weight)
    so_far = math.log(seen.minutes)
    z = (so_far - location) / scale
    hazard = normal_hazard(z)
    sound = 1.0 if seen.is_wait else trust(so_far, law)[0].sound
    weight = seen.weight * sound * min(hazard * (hazard - z), 1.0)
    return Entry(seen.at, 0.0, features, location + scale / (hazard - z) - offset, weight)


def normal_hazard(z: float) -> float:
    """φ(z) / (1 − Φ(z)): the hazard of the standard normal law, without loss of digits far out."""
    from scipy.special import erfcx

    return math.sqrt(2.0 / math.pi) / float(erfcx(z / math.sqrt(2.0)))
