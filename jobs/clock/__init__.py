"""The stopwatch without a database: what taps amount to. Pure; it never asks what time it is."""

from jobs.clock.events import Event, Facts, HoldFact
from jobs.clock.folding import Clash, Folded, Span, StageFold, fold

__all__ = ["Clash", "Event", "Facts", "Folded", "HoldFact", "Span", "StageFold", "fold"]
