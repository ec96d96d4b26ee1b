"""The stopwatch without a database: what taps amount to. Pure; it never asks what time it is."""

from jobs.clock.events import ORDER, Event, Facts, HoldFact, counting, is_gone
from jobs.clock.folding import fold
from jobs.clock.results import Clash, Folded, LapSpan, Span, StageFold

__all__ = [
    "ORDER", "Clash", "Event", "Facts", "Folded", "HoldFact", "LapSpan", "Span", "StageFold", "counting", "fold",
    "is_gone",
]  # fmt: skip
