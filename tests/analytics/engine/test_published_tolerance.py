"""Intervals of shares, tolerance factors and the law of coverage against published values and independent sums."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.stats import beta, binomtest, chi2, norm

from analytics.engine.tolerance import coverage_law, exact, factor_one_sided, factor_two_sided, wilson


@pytest.mark.parametrize(
    ("hits", "n", "scores", "exactly"),
    [
        (12, 150, (0.046, 0.135), (0.042, 0.136)),  # statulator.com, to three places
        (
            81,
            263,
            (0.2553, 0.3662),
            (0.2527, 0.3676),
        ),  # Newcombe, Statistics in Medicine 17 (1998), 857, table I
        (0, 20, (0.0, 0.1611), (0.0, 0.1684)),
        (1, 29, (0.0061, 0.1718), (0.0009, 0.1776)),
    ],
)
def test_intervals_of_a_share_are_the_published_ones(hits, n, scores, exactly):
    places = 5e-4 if n == 150 else 5e-5
    assert wilson(hits, n) == pytest.approx(scores, abs=places)
    assert exact(hits, n) == pytest.approx(exactly, abs=places)


@given(st.integers(0, 60), st.integers(1, 60), st.sampled_from([0.5, 0.8, 0.95, 0.99]))
def test_intervals_of_a_share_agree_with_a_reference_library(hits, n, level):
    test = binomtest(min(hits, n), n)
    for mine, name in ((wilson, "wilson"), (exact, "exact")):
        theirs = test.proportion_ci(level, method=name)
        assert mine(min(hits, n), n, level) == pytest.approx((theirs.low, theirs.high), abs=1e-9)


def test_a_share_of_nothing_may_be_anything():
    assert wilson(0, 0) == (0.0, 1.0)
    assert exact(0, 0) == (0.0, 1.0)


def test_one_sided_factors_are_the_published_ones():
    # Real-statistics.com: n = 40, 90 % with confidence 99 %. NIST/SEMATECH e-Handbook 7.2.6.3 prints 1.8752 for
    # n = 43 by Natrella's approximation; the noncentral t law gives 1.8740.
    assert factor_one_sided(40, 0.90, 0.99) == pytest.approx(1.9017, abs=5e-5)
    assert factor_one_sided(43, 0.90, 0.99) == pytest.approx(1.8740, abs=5e-5)
    assert factor_one_sided(43, 0.90, 0.99) == pytest.approx(1.8752, rel=1e-3)


def test_the_two_sided_factor_is_the_published_one():
    # NIST/SEMATECH e-Handbook 7.2.6.3: n = 43, 90 % with confidence 99 %
    assert factor_two_sided(43, 0.90, 0.99) == pytest.approx(2.2173, abs=5e-5)


@pytest.mark.parametrize(("n", "allowed"), [(5, 0.02), (10, 0.02), (20, 0.01), (43, 0.005)])
@pytest.mark.parametrize(("share", "confidence"), [(0.8, 0.95), (0.9, 0.99), (0.95, 0.9)])
def test_howes_factor_is_as_near_the_exact_one_as_is_said(n, allowed, share, confidence):
    k = factor_two_sided(n, share, confidence)
    exact_k = brentq(lambda k: confidence_of(k, n, share) - confidence, k / 1.2, k * 1.2, rtol=1e-6)
    assert k == pytest.approx(exact_k, rel=allowed)


def confidence_of(k: float, n: int, share: float) -> float:
    """How surely mean ± k·sd holds the share of a normal population, by summing over where the mean may lie."""
    points, weights = np.polynomial.hermite_e.hermegauss(40)
    total = 0.0
    for mean, weight in zip(points / np.sqrt(n), weights / weights.sum(), strict=True):
        needed = brentq(lambda r, m=mean: norm.cdf(m + r) - norm.cdf(m - r) - share, 0.0, abs(mean) + 10.0)
        total += weight * float(chi2.sf((n - 1) * (needed / k) ** 2, n - 1))
    return total


@pytest.mark.parametrize("two_sided", [False, True])
def test_a_tolerance_limit_holds_its_share_as_often_as_it_says(two_sided):
    rng = np.random.default_rng(4)
    samples = rng.standard_normal((20_000, 10))
    mean, sd = samples.mean(axis=1), samples.std(axis=1, ddof=1)
    if two_sided:
        k = factor_two_sided(10, 0.8, 0.9)
        held = norm.cdf(mean + k * sd) - norm.cdf(mean - k * sd)
    else:
        held = norm.cdf(mean + factor_one_sided(10, 0.8, 0.9) * sd)
    assert float(np.mean(held >= 0.8)) == pytest.approx(0.9, abs=0.01)


def test_the_law_of_coverage_is_the_published_one():
    # Angelopoulos & Bates (2021), section 3.2, as Beta(n + 1 − l, l); the quantiles are those of arXiv 2605.19024
    for n, mean, low, high in ((99, 0.9, 0.8467, 0.9442), (1000, 0.9001, 0.8841, 0.9152)):
        law = beta(*coverage_law(n, 0.1))
        assert law.mean() == pytest.approx(mean, abs=5e-5)
        assert (law.ppf(0.05), law.ppf(0.95)) == pytest.approx((low, high), abs=5e-5)


@pytest.mark.parametrize(("n", "alpha"), [(99, 0.1), (9, 0.1), (40, 0.2)])
def test_conformal_ranges_cover_by_that_law(n, alpha):
    rng = np.random.default_rng(2)
    past = np.sort(rng.random((20_000, n)), axis=1)  # scores; the next one's law is uniform too
    kept = int(np.ceil((n + 1) * (1 - alpha) - 1e-9))
    covered = past[:, kept - 1]
    law = beta(*coverage_law(n, alpha))
    probs = [0.05, 0.25, 0.5, 0.75, 0.95]
    assert np.quantile(covered, probs) == pytest.approx(law.ppf(probs), abs=0.01)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: wilson(3, 2), "3 of 2 is not a share"),
        (lambda: exact(-1, 2), "-1 of 2 is not a share"),
        (lambda: wilson(1, 2, 95), "The level is 95"),
        (lambda: factor_one_sided(1, 0.9, 0.9), "2 values or more, not 1"),
        (lambda: factor_two_sided(9, 1.0, 0.9), "The share is 1"),
        (lambda: factor_two_sided(9, 0.9, 0.0), "The confidence is 0"),
        (lambda: coverage_law(8, 0.1), "8 jobs are too few .* 9 do"),
        (lambda: coverage_law(0, 0.1), "1 job or more, not 0"),
    ],
)
def test_what_cannot_be_is_refused_by_name(call, message):
    with pytest.raises(ValueError, match=message):
        call()
