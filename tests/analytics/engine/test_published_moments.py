"""Mean, spread and autocorrelation against NIST's certified values."""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics.engine.moments import Moments, lag1
from tests.analytics.engine.published_series import MAVRO, MICHELSO, NUMACC1

SERIES = {"NumAcc1": NUMACC1, "Michelso": MICHELSO, "Mavro": MAVRO}
floats = st.floats(-1e6, 1e6)


def right_digits(found, certified):
    """The log relative error, StRD's measure: how many leading digits are right."""
    return 15.0 if found == certified else -math.log10(abs(found - certified) / abs(certified))


@pytest.mark.parametrize("name", SERIES)
def test_mean_spread_and_autocorrelation_are_the_certified_ones(name):
    # StRD, univariate summary statistics; the data are decimals, which binary numbers hold to 16 digits
    series, (mean, sd, r1) = SERIES[name]
    moments = Moments.of(series)
    assert right_digits(moments.mean, mean) >= 14
    assert right_digits(moments.sd, sd) >= 11
    assert right_digits(lag1(series), r1) >= 11


def test_the_textbooks_formula_fails_where_this_does_not():
    # StRD's NumAcc1 is made so that Σx² − n·mean² cancels: its seven zeros do that in single precision, ten in double
    series = np.array(NUMACC1[0])
    shifted = series + 1e9
    naive = math.sqrt((np.sum(shifted**2) - 3 * np.mean(shifted) ** 2) / 2)
    assert abs(naive - 1.0) > 0.1
    assert Moments.of(shifted).sd == 1.0
    single = np.float32(series)
    assert (np.sum(single**2) - 3 * np.mean(single) ** 2) / 2 != 1.0
    assert Moments.of(single).sd == 1.0


@pytest.mark.parametrize("name", SERIES)
def test_parts_merge_to_the_certified_values_wherever_they_are_cut(name):
    series, (mean, sd, _) = SERIES[name]
    for cuts in ((0, 1, len(series)), (0, len(series) // 3, len(series) // 2, len(series))):
        whole = Moments()
        for start, end in pairwise(cuts):
            whole = Moments.merged(whole, Moments.of(series[start:end]))
        assert whole.n == len(series)
        assert right_digits(whole.mean, mean) >= 14
        assert right_digits(whole.sd, sd) >= 11


@given(st.lists(floats, min_size=2, max_size=30), st.lists(floats, max_size=30))
def test_merging_agrees_with_numpy_on_everything_at_once(a, b):
    merged = Moments.merged(Moments.of(a), Moments.of(b))
    scale = max(map(abs, a + b)) + 1e-9
    assert merged.mean == pytest.approx(np.mean(a + b), abs=1e-12 * scale)
    assert merged.sd == pytest.approx(np.std(a + b, ddof=1), rel=1e-9, abs=1e-9 * scale)


def test_nothing_and_one_value_have_no_spread():
    assert math.isnan(Moments.of([]).mean)
    assert math.isnan(Moments.of([4.0]).sd)
    assert Moments.of([4.0]).mean == 4.0
    assert math.isnan(lag1([7.0]))
    assert math.isnan(lag1([7.0, 7.0, 7.0]))


def test_a_value_that_is_none_is_named():
    with pytest.raises(ValueError, match="Value 2 of the series is nan"):
        Moments.of([1.0, math.nan, 2.0])
    with pytest.raises(ValueError, match="one dimension, not 2"):
        lag1([[1.0, 2.0]])
