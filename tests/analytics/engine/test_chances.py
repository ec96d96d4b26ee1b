"""Chances from counts, against closed forms of the beta distribution and a reference library."""

import pytest
from scipy.stats import beta

from analytics.engine.chances import chance


def test_one_of_one_from_an_even_prior_follows_the_square_root():
    """Beta(2, 1) has the distribution function x², so that its quantiles are square roots."""
    found = chance(1, 1, prior=0.5, weight=2)
    assert (found.mean, found.low, found.high) == pytest.approx((2 / 3, 0.05**0.5, 0.95**0.5))


def test_none_of_n_from_an_even_prior_is_the_rule_of_succession():
    """Laplace: (k + 1) / (n + 2). Beta(1, n + 1) has the distribution function 1 − (1 − x)^(n + 1)."""
    found = chance(0, 8, prior=0.5, weight=2)
    assert (found.mean, found.high) == pytest.approx((1 / 10, 1 - 0.05 ** (1 / 9)))


def test_a_share_of_probabilities_agrees_with_scipy():
    found = chance(68.5, 140, prior=0.06, weight=10)
    law = beta(0.6 + 68.5, 9.4 + 71.5)
    assert (found.low, found.high) == pytest.approx(law.interval(0.9))
    assert found.mean == pytest.approx(law.mean())


def test_before_anything_is_seen_it_is_the_prior():
    found = chance(0, 0, prior=0.06, weight=10)
    assert found.is_default
    assert found.mean == pytest.approx(0.06)
    assert found.low < 0.06 < found.high


@pytest.mark.parametrize(
    ("seen", "of", "prior", "weight"), [(3, 2, 0.5, 1), (-1, 2, 0.5, 1), (1, 2, 1.0, 1), (1, 2, 0.5, 0)]
)
def test_what_cannot_have_been_is_refused(seen, of, prior, weight):
    with pytest.raises(ValueError, match=r"says nothing|cannot have been seen"):
        chance(seen, of, prior=prior, weight=weight)
