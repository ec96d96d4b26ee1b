"""Stages that still run, as censored records."""

import math

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import norm

from analytics.engine.censoring import STEPS, normal_hazard, with_running
from analytics.engine.durations import Observation, State, predict, update


def finished(minutes: list[float]) -> State:
    state = State.empty("artwork")
    for i, one in enumerate(minutes):
        state = update(state, Observation(one, {"pieces": 4.0}, {}, float(i)))
    return state


def median(state: State) -> float:
    return float(predict(state, {"pieces": 4.0}, {}).quantile(0.5))


@pytest.mark.parametrize("z", [-6.0, -1.0, 0.0, 0.5, 3.0, 12.0])
def test_the_hazard_is_that_of_a_reference_library(z):
    assert normal_hazard(z) == pytest.approx(math.exp(norm.logpdf(z) - norm.logsf(z)), rel=1e-12)


def test_a_stage_that_runs_long_makes_the_forecast_longer_and_one_just_begun_does_nothing():
    rng = np.random.default_rng(1)
    state = finished([float(20 * rng.lognormal(0, 0.3)) for _ in range(12)])
    long = with_running(state, [Observation(40.0, {"pieces": 4.0}, {}, 20.0)])
    begun = with_running(state, [Observation(1.0, {"pieces": 4.0}, {}, 20.0)])
    assert median(long) > 1.02 * median(state)
    assert median(begun) == pytest.approx(median(state), rel=1e-3)


def test_what_has_most_likely_been_forgotten_weighs_little():
    rng = np.random.default_rng(2)
    state = finished([float(20 * rng.lognormal(0, 0.3)) for _ in range(30)])
    forgotten = with_running(state, [Observation(900.0, {"pieces": 4.0}, {}, 40.0)])
    assert median(forgotten) == pytest.approx(median(state), rel=0.02)


def test_nothing_that_runs_leaves_the_state_as_it_is():
    state = finished([20.0, 30.0])
    assert with_running(state, []) is state
    assert with_running(state, [Observation(0.0, {}, {}, 5.0)]) is state


def test_half_of_the_records_censored_gives_the_level_of_the_censored_likelihood():
    """Reference: the maximum of the censored normal likelihood of the same log minutes, by a general optimiser."""
    rng = np.random.default_rng(3)
    whole = np.exp(math.log(20.0) + 0.35 * rng.standard_normal(160))
    done, limit = whole[:80], np.exp(math.log(20.0) + 0.35 * rng.standard_normal(80))
    rest = whole[80:]
    running = limit[rest > limit]
    seen = np.concatenate([done, rest[rest <= limit]])

    def minus_log_likelihood(theta: np.ndarray) -> float:
        scale = math.exp(theta[1])
        return -float(
            norm.logpdf(np.log(seen), theta[0], scale).sum()
            + norm.logsf(np.log(running), theta[0], scale).sum()
        )

    best = minimize(minus_log_likelihood, np.array([3.0, -1.0]), method="Nelder-Mead").x[0]
    state = finished([float(x) for x in seen])
    now = float(len(seen))
    ours = with_running(state, [Observation(float(x), {"pieces": 4.0}, {}, now) for x in running])
    naive, censored = math.log(median(state)), math.log(median(ours))
    assert best - naive > 0.04  # leaving out what still runs is biased
    assert censored == pytest.approx(best, abs=0.45 * (best - naive))
    assert STEPS >= 2
