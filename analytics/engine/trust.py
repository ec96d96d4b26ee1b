"""How far a record can be believed: was it clean, did the stage run into trouble, or was the clock wrong?

Each record is one of four things: clean; disrupted, and longer for it; with a forgotten stop, and then its minutes are
the work's plus some in which nobody was at it; or with a late start, and then some are missing. The chance of each
follows from how far the minutes lie from what was expected (Bayes). A record counts in the model by its chance of
being clean, and in the record of past errors by its chance of having been clocked rightly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.engine.forecast import DISRUPTION_SCALE, DISRUPTION_SHIFT, Blend
from analytics.engine.student import chances

Floats = NDArray[np.float64]

FORGOTTEN, LATE = 0.05, 0.02
"""How often a stop is forgotten or a start is late, among records that nobody doubted. Common practice, no source."""

EXTRA_MIN, EXTRA_SHAPE = 120.0, 2.0
"""Minutes from the end of the work to the next press, where a stop was forgotten: a Lomax law. Common practice, no
source."""


@dataclass(frozen=True)
class Trust:
    """The chances of what a record is; they add up to 1."""

    clean: float
    disrupted: float
    forgotten: float
    late: float

    @property
    def sound(self) -> float:
        """The chance that the clock was right."""
        return self.clean + self.disrupted


CLEAN = Trust(1.0, 0.0, 0.0, 0.0)


def trust(
    log_minutes: float, law: Blend, forgotten: float = FORGOTTEN, late: float = LATE
) -> tuple[Trust, Floats]:
    """What a record of so many log minutes is, given what was expected; and its log density under each of the laws,
    shape (c,). forgotten, late: how often that happens."""
    *found, scores = chances(
        log_minutes, law.location, law.scale, law.df, law.weight,
        (law.disrupted, forgotten, late), (DISRUPTION_SHIFT, DISRUPTION_SCALE), (EXTRA_MIN, EXTRA_SHAPE),
    )  # fmt: skip
    return Trust(*found), scores
