"""What stages that are being done right now say of those to come."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import replace
from datetime import datetime

from analytics.engine.censoring import with_running
from analytics.engine.durations import Observation
from analytics.engine.hours import to_minutes
from analytics.engine.trade import Part
from analytics.selectors.models import Learned
from analytics.selectors.samples import EPOCH
from jobs.models import Stage

Inputs = tuple[Mapping[str, float], Mapping[str, str]]
"""A stage's drivers and categories."""


def knowing_running(
    known: Learned,
    begun: Collection[tuple[Stage, Inputs, float, float]],
    now: datetime,
) -> Learned:
    """What was learned, and that these stages have taken so long without being finished.

    begun: stages with their inputs, hands-on and unattended minutes until `now` (aware). For forecasts of other stages:
    the law of a stage itself is set against its own minutes, and would count them twice.
    """
    at = to_minutes(EPOCH, now)
    seen: dict[tuple[str, Part], list[Observation]] = defaultdict(list)
    for stage, (drivers, categories), hands_on, unattended in begun:
        part: Part = "unattended" if unattended > 0.0 else "hands_on"
        minutes = unattended if unattended > 0.0 else hands_on
        one = Observation(minutes, drivers, categories, at, is_wait=stage.kind.is_hold)
        seen[stage.kind.key, part].append(one)
    states = dict(known.states)
    for (key, part), some in seen.items():
        pooled, prior = known.pooled[part], known.priors.get((key, part))
        states[key, part] = with_running(known.state(key, part), some, pooled=pooled, prior=prior)
    return replace(known, states=states)
