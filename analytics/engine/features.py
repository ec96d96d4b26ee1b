"""From a stage's drivers and categories to the named features of its regression.

The response is log(minutes) − log(trade formula): 0 means 'as the default says'. Where there is no formula the
offset is log(BLANK_MIN) and the intercept is left wide.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from functools import lru_cache

from analytics.engine.trade import PartDefault, within_reason

INTERCEPT = "1"
SIZE = "size"
NEW = "new at it"
PERSON = "person"
AS_ONE = "clocked as one"
SHARE, HAS, LOG, IS = "share:", "has:", "log:", "is:"
"""Prefixes: a component's share of the formula, a driver was given, log1p of a driver, a category's level."""

BLANK_MIN = 30.0
"""The offset, in minutes, where the trade has no formula. Its value hardly matters: the intercept is wide."""

LEARNING_STAGES = 5
"""A person counts as new at a stage kind for this many finished stages, less so each time."""

Row = dict[str, float]


def row(
    default: PartDefault,
    drivers: Mapping[str, float],
    categories: Mapping[str, str],
    experience: Callable[[str], float],
    *,
    as_one: bool = False,
) -> tuple[Row, float]:
    """The features of one stage by name (what is not named is 0), and the log of the trade formula's minutes.

    experience: given the name of a person's feature, how many stages of this kind the person has finished.
    as_one: whether the minutes are hands-on and machine minutes in one; the default is then that of both.
    """
    features: Row = {INTERCEPT: 1.0, AS_ONE: 1.0} if as_one else {INTERCEPT: 1.0}
    offset = _add_formula(features, default, drivers) if default.components else math.log(BLANK_MIN)
    formula = default.drivers
    for name, value in drivers.items():
        if math.isfinite(value):
            features[HAS + name] = 1.0
            if name not in formula:
                features[LOG + name] = math.copysign(math.log1p(abs(value)), value)
    for group, level in categories.items():
        if level:
            features[level_name(group, level)] = 1.0
    if person := categories.get(PERSON):
        newness = 1.0 - experience(level_name(PERSON, person)) / LEARNING_STAGES
        if newness > 0.0:
            features[NEW] = newness
    return features, offset


def _add_formula(features: Row, default: PartDefault, drivers: Mapping[str, float]) -> float:
    """Add each component's share of the formula, and how large the stage is; the log of the formula's minutes."""
    parts = [c.minutes(drivers) for c in default.components]
    total = within_reason(sum(parts))
    if len(parts) > 1:
        for component, minutes in zip(default.components, parts, strict=True):
            features[SHARE + component.name] = min(minutes / total, 1.0)
    if default.drivers:
        features[SIZE] = math.log(total / default.typical_minutes)
    return math.log(total)


def level_name(group: str, level: str) -> str:
    """The feature of one level of a category."""
    return f"{IS}{group}={level}"


def group_of(name: str) -> str | None:
    """The category that a feature is a level of, or None if it is no category's."""
    return name[len(IS) :].partition("=")[0] if name.startswith(IS) else None


@lru_cache(maxsize=4096)
def groups_in(names: tuple[str, ...]) -> frozenset[str]:
    """The categories that have a level among the features."""
    return frozenset(group for name in names if (group := group_of(name)) is not None)
