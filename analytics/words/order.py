"""Why a job changes its place in the order of work, in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from analytics.engine import order_reasons as code
from analytics.templatetags.analytics_words import duration

_WORDS = {
    code.LATE: "would be late by {time} on average",
    code.RISK: "its date was not safe",
    code.SHORT: "only {time} of work is left",
    code.NIGHT: "{time} more of ‘{name}’ fall into closed hours",
    code.LIES: "must still lie for {time}, in which others are worked at",
    code.PAYS: "its own date becomes less likely, so that others are kept",
    code.SPARE: "has {time} to spare, eight times in ten",
    code.LOST: "hardly in time in either order",
    code.UNDATED: "has no date",
    code.BLOCKS: "has {name} for {time} while {others} for it",
}


def say_why(reason: Mapping[str, Any]) -> str:
    """A reason as it is kept with a search, in words; empty for one that is not known here."""
    others = reason["others"]
    waiting = "another job waits" if others == 1 else f"{others} others wait"
    words = _WORDS.get(reason["code"], "")
    return words.format(time=duration(reason["minutes"]), name=reason["name"], others=waiting)
