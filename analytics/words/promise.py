"""A promise's assumptions and its exactness in sentences. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from math import isfinite

from analytics.engine.plan import PersonSpec
from analytics.selectors.arrivals import FEWEST, LaterWork
from analytics.words.ledger import say_level
from shop.words import say_clock, say_confidence


def say_later(later: LaterWork) -> str:
    """What is assumed of work to come, in a sentence."""
    if later.later is not None:
        often = f"{later.per_week:.1f}".removesuffix(".0")
        week = "a week" if later.days > 7 else "in a week"
        return (
            f"Allowed for: about {often} more jobs {week}, like the {later.jobs} that came in during the last "
            f"{later.days} days, each in its turn by its date."
        )
    if later.why == "off":
        return (
            "No work is assumed but what is promised or begun, as the shop’s settings say: what comes in later with "
            "a nearer date makes this one later."
        )
    if later.why == "closed":
        return "No work is assumed but what is promised or begun: none of the jobs that came in lately can be made now."
    few = "No job" if later.jobs == 0 else f"Only {later.jobs} job{'' if later.jobs == 1 else 's'}"
    return (
        f"No work is assumed but what is promised or begun. {few} came in during the last {later.days} days; from "
        f"{FEWEST} on their pace is allowed for."
    )


def say_follows(level: float, confidence: float) -> str:
    """Where a date is read off if not at its own odds, in a sentence; else empty."""
    if abs(level - confidence) < 0.005:
        return ""
    return (
        f"Dates follow the past here: this one lies where {say_level(level)} of the futures are done, because "
        f"that is where {say_confidence(confidence)} has held."
    )


def say_breaks(people: Iterable[PersonSpec]) -> str:
    """Which breaks are reckoned with, in a sentence; empty where the clock shows none."""
    kept = [
        f"{person.name} {' and '.join(f'{say_clock(starts)} to {say_clock(ends)}' for starts, ends in person.breaks)}"
        for person in people
        if person.breaks
    ]
    return f"Nobody is counted on in a break that the clock shows: {', '.join(kept)}." if kept else ""


def say_error(runs: int, error_min: float) -> str:
    """How exact the date is, in a sentence."""
    drawn = f"Worked out from {runs:,} futures"
    if not isfinite(error_min):
        return f"{drawn}."
    if error_min < 1:
        return f"{drawn}; another draw would hardly move it."
    minutes = max(1, round(error_min))
    if minutes < 90:
        return f"{drawn}; another draw would move it by about {minutes} working minutes at most."
    return f"{drawn}; another draw would move it by about {error_min / 60:.1f} working hours at most."
