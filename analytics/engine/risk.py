"""When a date is at risk: said by the same rule wherever it is said.

A chance that is true goes up and down until the work is done. One that only touches what was promised is no news, so
a date is at risk from some points below on, and safe again near what was promised. By Ville's inequality the share of
true promises at eight in ten that ever come as low as `MARGIN` below is at most 0.2 / 0.25 = four in five; the half of
them are not spared before three in five, which would be told too late to help.
"""

from __future__ import annotations

import math

MARGIN = 0.05
"""So far below its confidence a date is at risk."""

BACK = 0.02
"""So near to its confidence a date that was at risk is safe again."""

SURE = 2.0
"""Standard errors of the draws that a chance is to be below, where few draws make those the wider margin."""


def at_risk(chance: float, confidence: float, runs: int) -> bool:
    """Whether a date of that chance, in so many futures, is at risk where it was promised at `confidence`."""
    noise = SURE * math.sqrt(confidence * (1.0 - confidence) / runs) if runs else 1.0
    return chance < confidence - max(MARGIN, noise) - 1e-9


def safe_again(chance: float, confidence: float) -> bool:
    """Whether a date that was at risk is so no more."""
    return chance >= confidence - BACK - 1e-9
