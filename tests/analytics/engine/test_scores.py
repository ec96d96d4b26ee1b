import numpy as np
import pytest
import scoringrules
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import lognorm, norm

from analytics.engine import scores


@pytest.mark.parametrize(
    ("mu", "sigma", "y", "published"), [(0, 1, 0, 0.233695), (0, 1, 1, 0.602441), (10, 2, 13, 1.988848)]
)
def test_normal_crps_agrees_with_its_closed_form(mu, sigma, y, published):
    # Gneiting & Raftery, JASA 102 (2007): σ[z(2Φ−1) + 2φ − 1/√π]; values recomputed by integration
    assert float(scores.crps_normal(mu, sigma, y)) == pytest.approx(published, abs=5e-7)


@pytest.mark.parametrize(("mu", "sigma", "y", "published"), [(0, 1, 1, 0.267405), (1, 0.5, 3, 0.350803)])
def test_lognormal_crps_agrees_with_its_closed_form(mu, sigma, y, published):
    # scoringRules (R), crps_lnorm; equal to numerical integration
    assert float(scores.crps_lognormal(mu, sigma, y)) == pytest.approx(published, abs=5e-7)


@given(st.floats(-2, 5), st.floats(0.05, 2), st.floats(0.01, 500))
def test_crps_agrees_with_a_reference_library(mu, sigma, y):
    assert float(scores.crps_lognormal(mu, sigma, y)) == pytest.approx(
        float(scoringrules.crps_lognormal(y, mu, sigma)), rel=1e-9, abs=1e-9
    )
    assert float(scores.crps_normal(mu, sigma, y)) == pytest.approx(
        float(scoringrules.crps_normal(y, mu, sigma)), rel=1e-9, abs=1e-9
    )


def test_crps_of_a_sample_agrees_with_a_reference_library():
    sample = np.random.default_rng(1).lognormal(3, 1, 37)
    for y in (1.0, 20.0, 400.0):
        expected = float(scoringrules.crps_ensemble(y, sample, estimator="nrg"))
        assert scores.crps_sample(sample, y) == pytest.approx(expected, rel=1e-12)


def test_crps_of_a_point_is_its_absolute_error():
    assert scores.crps_sample([12.0], 15.0) == 3.0
    assert scores.crps_from_quantiles([0.2, 0.8], [12.0, 12.0], 15.0) == 3.0
    assert scores.crps_from_quantiles([0.2, 0.8], [12.0, 12.0], 7.0) == 5.0


@pytest.mark.parametrize("y", [0.1, 1.0, 3.0, 40.0])
def test_crps_from_quantiles_converges_to_the_closed_form(y):
    exact = float(scores.crps_lognormal(1, 0.5, y))
    errors = []
    for k in (50, 500, 5000):
        probs = (np.arange(k) + 0.5) / k
        errors.append(abs(scores.crps_from_quantiles(probs, lognorm.ppf(probs, 0.5, scale=np.e), y) - exact))
    assert errors[2] < 5e-4
    assert errors[2] < errors[1] < errors[0]


@given(st.lists(st.floats(0, 1000), min_size=2, max_size=12), st.floats(-50, 1100))
def test_crps_from_quantiles_is_the_integral_of_the_squared_error_of_the_cdf(values, y):
    x = np.sort(values)
    probs = np.linspace(0.05, 0.95, x.size)
    grid = np.linspace(min(x[0], y) - 1, max(x[-1], y) + 1, 40_001)
    mid = (grid[1:] + grid[:-1]) / 2
    cdf = np.where(mid < x[0], 0.0, np.where(mid >= x[-1], 1.0, np.interp(mid, x, probs)))
    integral = float(np.sum((cdf - (mid >= y)) ** 2) * (grid[1] - grid[0]))
    assert scores.crps_from_quantiles(probs, x, y) == pytest.approx(integral, rel=1e-2, abs=0.1)


def test_pinball_loss_agrees_with_its_definition():
    assert float(scores.pinball(0.9, 12, 10)) == pytest.approx(0.2)
    assert float(scores.pinball(0.9, 12, 15)) == pytest.approx(2.7)


def test_twice_the_mean_pinball_loss_over_all_levels_is_the_crps():
    taus = (np.arange(200_000) + 0.5) / 200_000
    loss = scores.pinball(taus, norm.ppf(taus, 10, 2), 13.0)
    assert 2 * float(loss.mean()) == pytest.approx(1.988848, abs=2e-5)


def test_coverage_and_width_count_and_average():
    assert scores.coverage([10.0, 10.0, 10.0, 10.0], [9.0, 10.0, 11.0, 2.0]) == 0.75
    assert scores.width([1.0, 2.0], [4.0, 9.0]) == 5.0
    assert np.isnan(scores.coverage([], []))
    assert np.isnan(scores.width([], []))
