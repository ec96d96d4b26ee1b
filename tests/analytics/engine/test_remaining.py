"""What is left of a job, against closed forms and SciPy's laws."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate
from scipy.stats import expon, lognorm, multivariate_normal, norm, truncnorm

from analytics.engine.durations import State, predict
from analytics.engine.forecast import PROBS, Forecast
from analytics.engine.remaining import given_scores, remaining
from analytics.engine.totals import total

ONE = np.eye(1)


def law(minutes: np.ndarray) -> Forecast:
    return Forecast(np.asarray(minutes, float), 10.0, False, 0.0)


def logs(mean: float, sd: float) -> Forecast:
    """Log-normal: log(minutes) with this mean and standard deviation."""
    return law(lognorm.ppf(PROBS, sd, scale=np.exp(mean)))


def rng(seed: int = 0) -> np.random.Generator:
    return np.random.default_rng(seed)


def pair(rho: float) -> np.ndarray:
    return np.array([[1.0, rho], [rho, 1.0]])


def test_exponential_minutes_forget_what_has_passed():
    """The exponential is the law without memory: what is left is as long as it was at the start."""
    left = remaining([law(expon.ppf(PROBS, scale=30))], [45.0], [], ONE, rng(), draws=20_000)
    for p in (0.1, 0.5, 0.8):
        assert float(left.quantile(p)) == pytest.approx(expon.ppf(p, scale=30), rel=0.02)


def test_a_begun_stage_is_its_law_above_the_elapsed_minutes():
    """Against SciPy's truncated normal."""
    left = remaining([law(norm.ppf(PROBS, 60, 10))], [65.0], [], ONE, rng(), draws=20_000)
    truth = truncnorm(0.5, np.inf, loc=60, scale=10)
    for p in (0.1, 0.5, 0.8, 0.95):
        assert 65 + float(left.quantile(p)) == pytest.approx(truth.ppf(p), abs=0.1)


@pytest.mark.parametrize(("rho", "pit"), [(0.0, 0.9), (0.5, 0.9), (0.7, 0.2)])
def test_a_finished_stage_moves_the_next_by_the_conditional_normal(rho, pit):
    """On the log scale: mean mu + rho sd z, deviation sd sqrt(1 − rho²): the bivariate normal of the textbook."""
    left = remaining([logs(3.0, 0.4)], [0.0], [pit], pair(rho), rng(), draws=20_000)
    drawn = np.log(left.minutes[:, 0])
    assert drawn.mean() == pytest.approx(3.0 + 0.4 * rho * norm.ppf(pit), abs=0.01)
    assert drawn.std() == pytest.approx(0.4 * np.sqrt(1 - rho**2), rel=0.03)


def test_two_finished_stages_give_the_conditional_mean_and_covariance_of_the_formula():
    matrix = np.array(
        [[1.0, 0.3, 0.5, 0.2], [0.3, 1.0, 0.1, 0.4], [0.5, 0.1, 1.0, 0.3], [0.2, 0.4, 0.3, 1.0]]
    )
    known = np.array([norm.ppf(0.9), norm.ppf(0.3)])
    mean, covariance = given_scores(matrix, np.array([0.9, 0.3]))
    # By SciPy: p(x, known) / p(known) is the normal density with that mean and covariance, at any x.
    joint, margin = multivariate_normal(np.zeros(4), matrix), multivariate_normal(np.zeros(2), matrix[2:, 2:])
    for x in ([0.0, 0.0], [1.2, -0.4], [-2.0, 0.7]):
        truth = joint.pdf([*x, *known]) / margin.pdf(known)
        assert multivariate_normal(mean, covariance).pdf(x) == pytest.approx(truth, rel=1e-9)


def test_a_running_stage_that_is_late_moves_the_stages_to_come():
    """The mean of the other score given that this one is above c is rho φ(c)/Φ(−c) (Mills' ratio)."""
    rho, elapsed = 0.6, np.exp(3.0 + 0.4)
    left = remaining([logs(3.0, 0.4), logs(4.0, 0.3)], [elapsed, 0.0], [], pair(rho), rng(), draws=40_000)
    coming = (np.log(left.minutes[:, 1]) - 4.0) / 0.3
    assert coming.mean() == pytest.approx(rho * norm.pdf(1) / norm.sf(1), abs=0.015)


def test_two_running_stages_are_drawn_jointly():
    """Against the integral of the bivariate normal above both elapsed scores."""
    rho, least = 0.7, (0.5, 1.0)
    elapsed = [np.exp(3.0 + 0.4 * least[0]), np.exp(4.0 + 0.3 * least[1])]
    left = remaining([logs(3.0, 0.4), logs(4.0, 0.3)], elapsed, [], pair(rho), rng(), draws=40_000)
    scores = [
        (np.log(left.minutes[:, 0] + elapsed[0]) - 3.0) / 0.4,
        (np.log(left.minutes[:, 1] + elapsed[1]) - 4.0) / 0.3,
    ]
    density = multivariate_normal([0, 0], pair(rho)).pdf

    def above(weight):
        return integrate.dblquad(
            lambda y, x: weight(x, y) * density([x, y]), least[0], 7, least[1], 7, epsabs=1e-7
        )[0]

    mass = above(lambda x, y: 1.0)
    assert scores[0].mean() == pytest.approx(above(lambda x, y: x) / mass, abs=0.01)
    assert scores[1].mean() == pytest.approx(above(lambda x, y: y) / mass, abs=0.01)
    assert (scores[0] * scores[1]).mean() == pytest.approx(above(lambda x, y: x * y) / mass, abs=0.03)


def test_of_a_job_not_begun_all_is_left():
    laws = [logs(3.0, 0.4), logs(4.0, 0.3), logs(2.0, 0.6)]
    matrix = np.full((3, 3), 0.2) + 0.8 * np.eye(3)
    left = remaining(laws, [0.0] * 3, [], matrix, rng(4))
    np.testing.assert_array_equal(left.quantile(PROBS), total(laws, matrix, rng(4)).minutes)


def test_a_finished_job_has_nothing_left():
    left = remaining([], [], [0.3, 0.7], pair(0.2), rng())
    assert left.quantile([0.5, 0.8]).tolist() == [0.0, 0.0]


@pytest.mark.parametrize("times", [1.5, 10.0, 1000.0])
def test_far_beyond_what_was_thought_possible_something_sensible_is_left(times):
    """More than nothing, not without end, and more the longer it has gone on."""
    forecast = predict(State.empty("weed"), {"area_m2": 1.0}, {})
    elapsed = float(forecast.minutes[-1]) * times
    half, most = remaining([forecast], [elapsed], [], ONE, rng()).quantile([0.5, 0.99])
    assert 0.02 * elapsed < half < elapsed
    assert half < most < 100 * elapsed


def test_a_part_that_always_takes_as_long_has_the_rest_of_it_left():
    left = remaining([law(np.full(PROBS.size, 40.0))], [25.0], [], ONE, rng())
    assert set(left.minutes.ravel()) == {15.0}
    assert set(remaining([law(np.zeros(PROBS.size))], [25.0], [], ONE, rng()).minutes.ravel()) == {0.0}


def test_a_part_that_may_take_no_time_and_has_taken_some_is_one_that_does():
    """Half the time none, else 10 to 30 minutes alike: of one that has taken 20 the half-way is 25."""
    minutes = np.where(PROBS < 0.5, 0.0, 10.0 + 40.0 * (PROBS - 0.5))
    left = remaining([law(minutes)], [20.0], [], ONE, rng(), draws=10_000)
    assert float(left.quantile(0.5)) == pytest.approx(5.0, abs=0.1)


def test_the_sums_of_chosen_columns_and_the_same_draws_from_the_same_seed():
    laws, matrix = [logs(3.0, 0.4), logs(4.0, 0.3)], pair(0.4)
    left, again = (remaining(laws, [25.0, 0.0], [], matrix, rng(9)) for _ in range(2))
    np.testing.assert_array_equal(left.minutes, again.minutes)
    assert float(left.quantile(0.5, [1])) == pytest.approx(float(np.median(left.minutes[:, 1])), rel=1e-3)
    assert float(left.quantile(0.5, [])) == 0.0


@given(
    st.lists(st.floats(0.0, 500.0), min_size=3, max_size=3),
    st.lists(st.floats(0.001, 0.999), min_size=0, max_size=2),
    st.floats(-0.2, 0.9),
)
def test_what_is_left_is_never_negative_and_always_a_number(elapsed, pits, rho):
    size = 3 + len(pits)
    matrix = np.full((size, size), rho) + (1 - rho) * np.eye(size)
    left = remaining(
        [logs(2.0, 0.5), logs(3.0, 0.2), logs(4.0, 1.0)], elapsed, pits, matrix, rng(), draws=200
    )
    assert np.isfinite(left.minutes).all()
    assert left.minutes.min() >= 0.0


@pytest.mark.parametrize(
    ("elapsed", "pits", "said"),
    [
        ([1.0, 2.0], [], "do not belong together"),
        ([-1.0], [], "0 or more"),
        ([0.0], [1.0], "between 0 and 1"),
    ],
)
def test_what_makes_no_sense_is_refused(elapsed, pits, said):
    size = 1 + len(pits)
    with pytest.raises(ValueError, match=said):
        remaining([logs(3.0, 0.4)], elapsed, pits, np.eye(size), rng())
