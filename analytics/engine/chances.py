"""How likely something is that has been seen so many times out of so many, and how sure that is.

Bayes with a beta prior: after k of n the probability is Beta(a + k, b + n − k), with a and b from a prior mean and the
number of cases that the prior weighs. Gelman et al., Bayesian Data Analysis (3rd ed., 2013), section 2.4.
"""

from __future__ import annotations

from dataclasses import dataclass

SURE = 0.9
"""The probability of the interval that goes with every chance."""


@dataclass(frozen=True)
class Chance:
    """A probability, 0..1: its mean, and the interval that it lies in nine times in ten.

    seen, of: what it rests on; seen may be a sum of probabilities. prior: what was thought before.
    """

    seen: float
    of: float
    mean: float
    low: float
    high: float
    prior: float

    @property
    def is_default(self) -> bool:
        """Whether nothing has been seen yet."""
        return self.of <= 0.0


def chance(seen: float, of: float, *, prior: float, weight: float) -> Chance:
    """The chance after `seen` of `of` cases. prior: its mean before, in (0, 1); weight: in cases, above 0.

    Raises:
        ValueError: more were seen than there were, or the prior is no probability.

    """
    from scipy.special import betaincinv  # here, for scipy is slow to load

    if not 0.0 <= seen <= of:
        raise ValueError(f"{seen} of {of} cannot have been seen.")
    if not (0.0 < prior < 1.0 and weight > 0.0):
        raise ValueError(f"A prior of {prior} with the weight {weight} says nothing.")
    a, b = prior * weight + seen, (1.0 - prior) * weight + of - seen
    low, high = (float(betaincinv(a, b, p)) for p in ((1.0 - SURE) / 2.0, (1.0 + SURE) / 2.0))
    return Chance(seen, of, a / (a + b), low, high, prior)
