import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import kstest, norm

from analytics.engine import calibration

counts = st.lists(st.floats(0, 1e4), min_size=100, max_size=100).map(np.array)


@given(counts, st.none() | counts)
def test_the_map_rises_from_0_to_1_and_its_inverse_undoes_it(own, shop):
    cum = calibration.cumulative(own, shop)
    assert cum[0] == 0.0
    assert cum[-1] == 1.0
    assert (np.diff(cum) > 0).all()
    p = np.linspace(0, 1, 37)
    np.testing.assert_allclose(calibration.calibrated(calibration.stated_for(p, cum), cum), p, atol=1e-9)


def test_without_past_errors_nothing_changes():
    p = np.linspace(0, 1, 11)
    np.testing.assert_allclose(calibration.stated_for(p, calibration.cumulative(calibration.empty())), p)


def test_a_few_errors_bend_the_map_little_and_many_bend_it_fully():
    high = calibration.empty()
    high[80:] = 1.0
    few = float(calibration.stated_for(0.5, calibration.cumulative(high / 4)))
    many = float(calibration.stated_for(0.5, calibration.cumulative(high * 1000)))
    assert 0.5 < few < 0.55
    assert many == pytest.approx(0.9, abs=0.01)


def test_a_kind_with_no_errors_of_its_own_takes_the_shops():
    shop = calibration.empty()
    shop[:50] = 40.0
    taken = calibration.cumulative(calibration.empty(), shop)
    np.testing.assert_allclose(taken, calibration.cumulative(shop), atol=1e-12)


@pytest.mark.parametrize(("stated_sd", "shift"), [(0.75, 0.0), (2.0, 0.0), (1.0, 0.7)])
def test_calibration_makes_a_law_of_the_wrong_width_or_place_cover(stated_sd, shift):
    rng = np.random.default_rng(2)
    past, new = rng.standard_normal(5000), rng.standard_normal(5000)
    own = calibration.empty()
    for pit in norm.cdf(past, shift, stated_sd):
        own[calibration.bin_of(pit)] += 1
    cum = calibration.cumulative(own)
    stated = norm.cdf(new, shift, stated_sd)
    for level in (0.5, 0.8, 0.95):
        assert abs(float((stated <= level).mean()) - level) > 0.02 or level == 0.5
        assert float((stated <= calibration.stated_for(level, cum)).mean()) == pytest.approx(level, abs=0.015)
    # Kolmogorov–Smirnov, n = 100: the 5 % point is .1340 (tables); the corrected PITs are uniform
    assert kstest(calibration.calibrated(stated[:100], cum), "uniform").statistic < 0.1340


@pytest.mark.parametrize(("pit", "at"), [(0.0, 0), (0.0099, 0), (0.505, 50), (0.9999, 99), (1.0, 99)])
def test_every_pit_has_a_bin(pit, at):
    assert calibration.bin_of(pit) == at
