"""What of a job the shop can do as it is: one job that it cannot do must not keep the others from their dates."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analytics.engine.feasible import depths
from analytics.engine.later import Arrow
from analytics.engine.parts import CircularRoute
from analytics.engine.plan import CannotPlan, ShopSpec, StageSpec, check_stage, edges_between


def able_part(
    spec: ShopSpec, stages: Sequence[StageSpec], arrows: Sequence[Arrow], days: int
) -> tuple[list[StageSpec], str]:
    """The stages of a job that can be done, and why not the others: empty where all can.

    days: within how many from now all of it has to begin. What has no machine or nobody to do it, what waits for
    itself in a circle, and what cannot begin within these days cannot be done, nor can anything after it.
    """
    unable: set[int] = set()
    why = ""
    try:
        depths(edges_between([stage.key for stage in stages], arrows), [stage.name for stage in stages])
    except CircularRoute as circle:
        why = f"{circle} Take one of the arrows out on the job's page."
    for stage in stages:
        try:
            check_stage(spec, stage)
        except CannotPlan as cannot:
            unable.add(stage.key)
            why = why or str(cannot)
    far = {} if why else _begin_beyond(stages, arrows, days * 1440.0)
    if far:
        unable |= far.keys()
        first = min(stages, key=lambda stage: far.get(stage.key, np.inf))
        why = (
            f"'{first.name}' is not {'to begin' if first.people else 'over'} for "
            f"{far[first.key] / (365 * 1440):.1f} years. Check how long holds and "
            "lags before it are, from when the job can be worked on, when its film comes, and where its stages are "
            "pinned."
        )
    return (_reached(stages, arrows, unable), why) if why else (list(stages), "")


def _begin_beyond(stages: Sequence[StageSpec], arrows: Sequence[Arrow], reach: float) -> dict[int, float]:
    """The stages that cannot begin within `reach` minutes or whose hold goes on beyond, with when they begin."""
    begins = {stage.key: max(stage.ready_at, stage.pinned or 0.0, 0.0) for stage in stages}
    lies = {
        stage.key: float(stage.unattended.quantiles[0]) if stage.people == 0 and stage.unattended else 0.0
        for stage in stages
    }
    inner = [(first, then, lag) for first, then, _, lag in arrows if first in begins and then in begins]
    if max(begins.values(), default=0.0) + sum(lies.values()) + sum(lag for *_, lag in inner) < reach:
        return {}
    for _ in stages:  # no way is longer than there are stages
        for first, then, lag in inner:
            begins[then] = max(begins[then], begins[first] + lies[first] + lag)
    return {key: at + lies[key] for key, at in begins.items() if at + lies[key] >= reach}


def _reached(stages: Sequence[StageSpec], arrows: Sequence[Arrow], unable: set[int]) -> list[StageSpec]:
    """The able stages before which all are able; what runs has begun, whatever is before it."""
    before: dict[int, set[int]] = {stage.key: set() for stage in stages}
    for first, then, *_ in arrows:
        if first in before and then in before:
            before[then].add(first)
    reached: set[int] = set()
    while True:
        more = {
            stage.key
            for stage in stages
            if stage.key not in reached | unable
            and (stage.running is not None or before[stage.key] <= reached)
        }
        if not more:
            return [stage for stage in stages if stage.key in reached]
        reached |= more
