"""How far a record is believed, against Bayes' rule worked out on laws of a reference library (SciPy)."""

import math

import numpy as np
import pytest
from scipy.stats import norm, t

from analytics.engine.durations import Observation, State, predict, trouble_share, update
from analytics.engine.forecast import DISRUPTED, DISRUPTION_SCALE, DISRUPTION_SHIFT, Blend, LogLaw
from analytics.engine.trust import EXTRA_MIN, EXTRA_SHAPE, FORGOTTEN, LATE, trust

LAW = LogLaw(math.log(30.0), 0.3, 20.0)


@pytest.mark.parametrize("minutes", [2.0, 15.0, 30.0, 70.0, 200.0, 1200.0])
def test_the_chances_are_those_of_bayes_rule(minutes):
    y, z = math.log(minutes), math.log(minutes / 30.0) / 0.3
    right = 1.0 - FORGOTTEN - LATE
    extra = max(minutes - 30.0, 0.0)
    each = [
        right * (1.0 - DISRUPTED) * t.pdf(y, 20.0, LAW.location, LAW.scale),
        right * DISRUPTED * t.pdf(y, 20.0, LAW.location + DISRUPTION_SHIFT, LAW.scale * DISRUPTION_SCALE),
        FORGOTTEN
        * norm.cdf(z)
        * minutes
        * EXTRA_SHAPE
        / EXTRA_MIN
        * (1 + extra / EXTRA_MIN) ** -(EXTRA_SHAPE + 1),
        LATE * norm.sf(z) * min(minutes / 30.0, 1.0),
    ]
    found, _ = trust(y, Blend.of(LAW))
    ours = [found.clean, found.disrupted, found.forgotten, found.late]
    np.testing.assert_allclose(ours, np.array(each) / sum(each), rtol=1e-6, atol=1e-12)


def test_a_wait_is_neither_forgotten_nor_late():
    found, _ = trust(math.log(5000.0), Blend.of(LAW), 0.0, 0.0)
    assert (found.forgotten, found.late, found.sound) == (0.0, 0.0, pytest.approx(1.0))


def test_forgotten_stops_hardly_bend_what_is_learned():
    """The error of the middle, in log units, against that of the plain mean of the same log minutes."""
    errors = np.array([bent(np.random.default_rng(seed)) for seed in range(6)]).mean(axis=0)
    assert abs(errors[0]) < 0.04
    assert abs(errors[0]) < 0.5 * abs(errors[1])


def bent(rng: np.random.Generator) -> tuple[float, float]:
    """Of 150 artworks of half an hour, 8 in a hundred with a forgotten stop: the model's error and the mean's."""
    state, logs = State.empty("artwork"), []
    for i in range(150):
        minutes = 30.0 * float(rng.lognormal(0.0, 0.25))
        if rng.random() < 0.08:
            minutes += EXTRA_MIN * float(rng.pareto(EXTRA_SHAPE))
        logs.append(math.log(minutes / 30.0))
        state = update(state, Observation(minutes, {"pieces": 5.0}, {}, i * 700.0))
    middle = float(predict(state, {"pieces": 5.0}, {}).quantile(0.5))
    return math.log(middle / 30.0), float(np.mean(logs))


def test_the_share_of_trouble_starts_from_the_default_and_moves_the_right_way():
    """It is a cautious one: where much goes wrong, part of it is taken for the work's own spread."""
    assert trouble_share(State.empty("laminate")) == DISRUPTED
    shares = [trouble_share(laminated(np.random.default_rng(3), share)) for share in (0.0, 0.1, 0.3)]
    assert shares[0] < 0.6 * DISRUPTED
    assert shares[0] < shares[1] < shares[2]
    assert shares[2] > DISRUPTED


def laminated(rng: np.random.Generator, troubled: float) -> State:
    state = State.empty("laminate")
    for i in range(300):
        minutes = 13.0 * float(rng.lognormal(0.0, 0.15)) * (2.2 if rng.random() < troubled else 1.0)
        state = update(state, Observation(minutes, {"area_m2": 2.0}, {}, i * 700.0))
    return state
