"""The compiled Student-t against a reference library (SciPy)."""

import numpy as np
import pytest
from scipy.stats import t

from analytics.engine.forecast import DISRUPTION_SCALE, DISRUPTION_SHIFT, Blend
from analytics.engine.student import cdf_at, densities, weights_of

Z = np.linspace(-12.0, 12.0, 97)


@pytest.mark.parametrize(
    ("df", "within"), [(4.0, 2e-6), (10.0, 1e-9), (13.5, 1e-9), (60.0, 1e-11), (5e4, 1e-12)]
)
def test_the_distribution_function_is_the_reference_librarys(df, within):
    np.testing.assert_allclose([cdf_at(z, df) for z in Z], t.cdf(Z, df), rtol=0, atol=within)


def test_densities_are_the_reference_librarys():
    location, scale, df = np.array([3.0, 3.4]), np.array([0.3, 0.8]), np.array([10.0, 200.0])
    for y in (1.0, 3.0, 6.5):
        np.testing.assert_allclose(
            densities(y, location, scale, df), t.pdf(y, df, location, scale), rtol=1e-10
        )


def test_a_blend_is_the_weighted_sum_of_its_laws_and_their_troubled_selves():
    location, scale, df = np.array([3.0, 3.5, 2.0]), np.array([0.3, 0.5, 0.4]), np.array([12.0, 30.0, 10.0])
    weight = np.array([0.6, 0.3, 0.1])
    at = np.linspace(0.0, 8.0, 33)
    plain = t.cdf(at[:, None], df, location, scale)
    late = t.cdf(at[:, None], df, location + DISRUPTION_SHIFT, scale * DISRUPTION_SCALE)
    expected = (0.9 * plain + 0.1 * late) @ weight
    np.testing.assert_allclose(Blend(location, scale, df, weight, 0.1).cdf(at), expected, atol=2e-9)


def test_weights_add_up_to_one_however_far_apart_their_logs_are():
    np.testing.assert_allclose(
        weights_of(np.array([-2000.0, 0.0, np.log(3.0)])), [0.0, 0.25, 0.75], atol=1e-15
    )
