"""How exactly a quantile is known from blocks of futures."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analytics.engine.hours import Calendar

Floats = NDArray[np.float64]

SURE = 0.95
PLAIN = 1


def half_width(blocks: Sequence[Floats], level: float, hours: Calendar) -> float:
    """Half the width of the 95 % interval of the quantile at `level`, in working minutes.

    blocks: finishes in minutes, each block stratified by itself and independent of the others. The share of a
    block that is done by the pooled quantile varies from block to block; that variance, with PLAIN blocks' worth of
    the one that plain draws have, for few blocks say little, gives the interval's levels, and the pooled finishes
    at those levels its ends.
    """
    from scipy.special import stdtrit  # here, for scipy is slow to load

    finish = np.concatenate(blocks)
    at = np.quantile(finish, level, method="inverted_cdf")
    sizes = np.array([len(block) for block in blocks], float)
    shares = np.array([np.mean(block <= at) for block in blocks])
    off = np.sum(sizes * (shares - np.mean(finish <= at)) ** 2)  # of one future
    freedom = len(blocks) - 1 + PLAIN
    variance = (off + PLAIN * level * (1 - level)) / freedom / finish.size
    reach = stdtrit(freedom, (1 + SURE) / 2) * np.sqrt(variance)
    ends = np.quantile(finish, np.clip([level - reach, level + reach], 0.0, 1.0), method="inverted_cdf")
    low, high = hours.work(ends)
    return float(high - low) / 2
