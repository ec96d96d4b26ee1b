"""Was a stop forgotten? How likely it is that a stretch on the clock holds time in which nobody was at the stage.

A record is one of three things: clean; disrupted, and longer for it (6 in a hundred); or it has a forgotten stop
(5 in a hundred), and then its minutes are the work's plus those until somebody pressed something else. The law of
the work is the stage kind's own past, by median and median deviation: neither moves when the judgement of an earlier
record changes, so that the judgement of any one hangs on the clock alone and not on the order in which it was made.

Minutes alone do not convict: a long stage may just have been long. The clock must show a sign as well, that the
stretch ended only because its person went to something else, or that it went on over a break.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.engine.forecast import DISRUPTED, DISRUPTION_SCALE, DISRUPTION_SHIFT, LogLaw
from analytics.engine.student import densities
from analytics.engine.trust import EXTRA_MIN, EXTRA_SHAPE, FORGOTTEN

Floats = NDArray[np.float64]

LIKELY = 0.5
"""Above this chance, and with a sign, a record is doubted."""

RECENT = 200
"""How many of a kind's past records its law is made from."""

PRIOR_LEVEL, PRIOR_SPREAD, PRIOR_DF = 2.0, 4.0, 10.0
"""What the trade default weighs, in records, in the level and in the spread of log minutes; and the degrees of freedom
that the law has of it."""

TO_SD = 1.4826
"""A normal law's standard deviation over its median deviation."""

_MIDDLES: Floats = np.linspace(0.0125, 0.9875, 40)


@dataclass(frozen=True)
class Signs:
    """What the clock shows of a stretch.

    night: a whole closed night lies in it. left: it ended only because its person began something else.
    over_break: a break in the day lies in it. clash: its machine or person was clocked elsewhere meanwhile.
    """

    night: bool = False
    left: bool = False
    over_break: bool = False
    clash: bool = False

    @property
    def any_overlap(self) -> bool:
        """Whether anything says that the person was not at it all the time."""
        return self.left or self.over_break or self.clash


def law_of(residuals: Sequence[float], offset: float, sigma: float) -> LogLaw:
    """The law of a kind's next log minutes from its past ones.

    residuals: log(minutes) − log(trade formula) of past records, the latest last; the last RECENT count.
    offset: log of the formula's minutes for this stage. sigma: the default's spread of log minutes.
    """
    past = np.asarray(residuals[-RECENT:], float)
    n = past.size
    middle = float(np.median(past)) if n else 0.0
    spread = TO_SD * float(np.median(np.abs(past - middle))) if n else 0.0
    level = n * middle / (n + PRIOR_LEVEL)
    variance = (PRIOR_SPREAD * sigma**2 + n * spread**2) / (PRIOR_SPREAD + n)
    scale = math.sqrt(variance * (1.0 + 1.0 / (n + PRIOR_LEVEL)))
    return LogLaw(offset + level, scale, PRIOR_DF + n)


def forgotten_chance(minutes: float, law: LogLaw, prior: float = FORGOTTEN) -> float:
    """The probability that a record of so many minutes has a forgotten stop; 0 for none."""
    if minutes <= 0.0:
        return 0.0
    clean = (1.0 - prior - DISRUPTED) * _density(math.log(minutes), law.location, law.scale, law.df)
    late = DISRUPTED * _density(
        math.log(minutes), law.location + DISRUPTION_SHIFT, law.scale * DISRUPTION_SCALE, law.df
    )
    forgot = prior * minutes * _density_with_extra(minutes, law)  # per log minute, as the others
    return forgot / (clean + late + forgot) if forgot > 0.0 else 0.0


def is_doubted(minutes: float, law: LogLaw, signs: Signs) -> bool:
    """Whether to ask about a record: a night in it or a clash, or it is likely and there is a sign."""
    if signs.night or signs.clash:
        return True
    return signs.any_overlap and forgotten_chance(minutes, law) > LIKELY


def usual_minutes(law: LogLaw, p: float) -> float:
    """Minutes that are not exceeded with probability p where nothing goes wrong."""
    from scipy.special import stdtrit

    return float(np.exp(law.location + law.scale * stdtrit(law.df, p)))


def _density(log_minutes: float, location: float, scale: float, df: float) -> float:
    """A Student-t's density."""
    return float(densities(log_minutes, np.array([location]), np.array([scale]), np.array([df]))[0])


def _density_with_extra(minutes: float, law: LogLaw) -> float:
    """The density, per minute, of the work and what was clocked after it, at `minutes`."""
    from scipy.special import stdtrit

    work = np.exp(law.location + law.scale * np.asarray(stdtrit(law.df, _MIDDLES)))
    extra = minutes - work
    shrinks = (1.0 + np.maximum(extra, 0.0) / EXTRA_MIN) ** -(EXTRA_SHAPE + 1.0)
    return float(np.mean(np.where(extra > 0.0, shrinks, 0.0))) * EXTRA_SHAPE / EXTRA_MIN
