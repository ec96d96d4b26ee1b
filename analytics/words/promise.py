"""A promise's assumptions and its exactness in sentences. Pure."""

from __future__ import annotations

from math import isfinite

from analytics.selectors.arrivals import FEWEST, LaterWork


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
