"""Replays on the page."""

from __future__ import annotations

from typing import Any

from django import template

from analytics.words.replay import say_change, say_range, say_took

register = template.Library()


@register.filter
def took(minutes: float | None) -> str:
    """Elapsed minutes as '3.4 days'; empty for none."""
    return "" if minutes is None else say_took(minutes)


@register.filter
def less_or_more(change: dict[str, Any]) -> str:
    """A change of minutes as '1.2 days less'."""
    return say_change(change["after"] - change["before"])


@register.filter
def between(change: dict[str, Any]) -> str:
    """Its interval as '4.4 days to 1.9 days less'."""
    return say_range(change["low"], change["high"])


@register.filter
def points(change: dict[str, Any]) -> str:
    """A change of a share as '6 in 100 more', or 'the same'."""
    return _points(change["after"] - change["before"])


@register.filter
def points_between(change: dict[str, Any]) -> str:
    """Its interval, as '2 in 100 more to 9 in 100 more'."""
    low, high = _points(change["low"]), _points(change["high"])
    return low if low == high else f"{low} to {high}"


@register.filter
def weekly(hours: float | None) -> str:
    """Hours a week as '12.4 h'; a dash where there is no such machine or person."""
    return "–" if hours is None else f"{hours:.1f} h"


def _points(share: float) -> str:
    if abs(share) < 0.0005:
        return "the same"
    whole = f"{abs(share) * 100:.0f}" if abs(share) >= 0.01 else "under 1"
    return f"{whole} in 100 {'more' if share > 0 else 'fewer'}"
