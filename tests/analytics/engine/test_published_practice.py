"""Learning curves against published tables and exercises."""

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics.engine.practice import Curve, rate_from

rates = st.floats(0.55, 0.98)
models = st.sampled_from(["crawford", "wright"])

# Stevenson, Operations Management, chapter 7S, learning coefficients at 80 %
UNITS = {1: 1.0, 2: 0.8, 3: 0.7021, 4: 0.64, 5: 0.5956, 8: 0.512, 10: 0.4765, 20: 0.3812, 30: 0.3346}
TOTALS = {2: 1.8, 3: 2.5021, 4: 3.1421, 5: 3.7377, 10: 6.3154, 20: 10.4849}


def test_the_unit_curve_is_the_published_table():
    curve = Curve(1.0, 0.8)
    assert {n: round(curve.unit(n), 4) for n in UNITS} == UNITS
    assert {n: round(curve.total(n), 4) for n in TOTALS} == TOTALS
    assert Curve(1.0, 0.9).unit(20) == pytest.approx(0.634, abs=5e-4)  # printed to three places


def test_the_curve_of_averages_is_wrights():
    # Wideman, appendix 2, on Wright (1936): the pair's average is 80 %, so the second takes 60 %; four average 64 %
    curve = Curve(1.0, 0.8, "wright")
    assert curve.average(2) == pytest.approx(0.8)
    assert curve.unit(2) == pytest.approx(0.6)
    assert curve.average(4) == pytest.approx(0.64)
    assert [curve.total(n) for n in (2, 4, 8)] == pytest.approx([1.6, 2.56, 4.096])


def test_the_two_models_are_not_one():
    crawford, wright = Curve(1.0, 0.8).total(4), Curve(1.0, 0.8, "wright").total(4)
    assert (round(crawford, 3), round(wright, 3)) == (3.142, 2.56)


def test_a_learner_meets_the_standard_at_the_seventh():
    # Stevenson, problem 7S-16: 30 minutes, then 25; the standard is 18. n = 6.97, so the seventh
    rate = rate_from(1, 30.0, 2, 25.0)
    assert rate == pytest.approx(0.8333, abs=5e-5)
    curve = Curve(30.0, rate)
    assert (18.0 / 30.0) ** (1.0 / curve.slope) == pytest.approx(6.97, abs=5e-3)
    assert curve.until(18.0) == 7
    assert curve.unit(6) > 18.0 >= curve.unit(7)


@given(st.floats(1.0, 500.0), rates, models, st.integers(1, 60))
def test_a_total_is_the_sum_of_its_units_and_units_get_quicker(first, rate, model, n):
    curve = Curve(first, rate, model)
    units = [curve.unit(k) for k in range(1, n + 1)]
    assert curve.total(n) == pytest.approx(math.fsum(units), rel=1e-9)
    assert curve.average(n) == pytest.approx(math.fsum(units) / n, rel=1e-9)
    assert all(later < earlier for earlier, later in pairwise(units))


@given(st.floats(1.0, 500.0), rates, st.integers(1, 40), st.integers(1, 40))
def test_the_rate_is_found_again_from_any_two_units(first, rate, n, more):
    curve = Curve(first, rate)
    found = rate_from(n, curve.unit(n), n + more, curve.unit(n + more))
    assert found == pytest.approx(rate, rel=1e-9)


@given(rates, models, st.floats(0.2, 1.2))
def test_the_standard_is_met_at_that_unit_and_not_before(rate, model, standard):
    curve = Curve(1.0, rate, model)
    n = curve.until(standard)
    if n is None:
        assert curve.unit(10_000) > standard  # it would take more than any shop makes
        return
    assert curve.unit(n) <= standard * (1 + 1e-6)
    assert n == 1 or curve.unit(n - 1) > standard * (1 - 1e-6)


def test_a_curve_that_never_gets_there_says_so():
    assert Curve(30.0, 1.0).until(20.0) is None
    assert Curve(30.0, 0.9).until(0.0) is None
    assert Curve(30.0, 0.99).until(1.0) is None  # more than a billion repetitions
    assert Curve(30.0, 1.0).until(30.0) == 1


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: Curve(0.0, 0.8), "cannot take 0.0 minutes"),
        (lambda: Curve(9.0, 0.5), "rate of 0.5"),
        (lambda: Curve(9.0, 1.2), "rate of 1.2"),
        (lambda: Curve(9.0, 0.8).unit(0), "from 1, not 0"),
        (lambda: rate_from(3, 9.0, 3, 8.0), "does not come after"),
        (lambda: rate_from(1, 0.0, 3, 8.0), "more than 0 minutes"),
    ],
)
def test_what_is_no_curve_is_refused_by_name(call, message):
    with pytest.raises(ValueError, match=message):
        call()
