"""The prior across shops: right about how far shops stand apart, wide with few of them, and silent about names."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.engine.across import (
    FEWEST_RECORDS,
    FEWEST_SHOPS,
    Published,
    common_features,
    prior_across,
    prior_from_dict,
    prior_to_dict,
    published,
)
from analytics.engine.durations import Observation, State, predict, update
from analytics.engine.posterior import Prior, stock_prior
from analytics.engine.trade import DRIVERS, defaults_for

KIND = "mask"
DEFAULT = defaults_for(KIND, "hands_on")


def shop(rng: np.random.Generator, level: float, *, n: float = 60, sigma: float = 0.3) -> Published:
    """What a shop says that takes exp(level) times the trade formula."""
    state = State.empty(KIND)
    for i in range(int(n)):
        drivers = {"area_m2": float(np.exp(rng.normal(0.5, 0.7)))}
        minutes = DEFAULT.minutes(drivers) * math.exp(level + sigma * rng.standard_normal())
        state = update(state, Observation(minutes, drivers, {"job_type": f"t{i % 3}"}, at=1440.0 * i))
    said = published(state)
    assert said is not None
    return said


def across(rng: np.random.Generator, shops: int, mean: float, apart: float, **how: float) -> Prior:
    prior = prior_across([shop(rng, mean + apart * rng.standard_normal(), **how) for _ in range(shops)])
    assert prior is not None
    return prior


def level_of(prior: Prior) -> tuple[float, float]:
    """Mean and sd of log minutes over the formula's for the usual stage, coefficients alone."""
    state = State.empty(KIND)
    forecast = predict(state, {"area_m2": 2.0}, {}, prior=prior)
    middle = math.log(float(forecast.quantile(0.5)) / DEFAULT.minutes({"area_m2": 2.0}))
    row = {"1": 1.0, "share:set out": 2 / 12, "share:lay the tape": 10 / 12}
    return middle, math.sqrt(sum((x * prior.of(name)[1]) ** 2 for name, x in row.items()))


def test_many_shops_tell_where_shops_are_and_how_far_apart() -> None:
    """The truth: shops take 1.65 times the formula in the middle, and stand 0.2 apart."""
    found = np.array([level_of(across(np.random.default_rng(s), 30, 0.5, 0.2)) for s in range(3)])
    assert np.all(np.abs(found[:, 0] - 0.5) < 0.15)
    assert np.all(found[:, 1] > 0.2)
    stock = level_of(stock_prior(DEFAULT))[1]
    assert np.all(found[:, 1] < 0.8 * stock)


def test_few_shops_leave_it_wider_than_many() -> None:
    few, many = (across(np.random.default_rng(1), shops, 0.0, 0.2) for shops in (3, 30))
    assert level_of(few)[1] > 1.1 * level_of(many)[1]
    assert abs(level_of(few)[0]) < 0.3


@pytest.mark.parametrize("apart", [0.2, 0.5, 0.9])
def test_it_is_never_narrower_than_the_shops_stand_apart(apart: float) -> None:
    """Eight in ten new shops at least lie within its middle eight tenths."""
    prior = across(np.random.default_rng(5), 25, 0.2, apart)
    middle, sd = level_of(prior)
    new = 0.2 + apart * np.random.default_rng(6).standard_normal(4000)
    assert np.mean(np.abs(new - middle) < 1.2816 * sd) > 0.76
    assert sd > 0.8 * apart


def test_the_spread_of_one_odd_shop_hardly_moves_it() -> None:
    rng = np.random.default_rng(2)
    usual = [shop(rng, 0.0) for _ in range(9)]
    without, with_it = prior_across(usual), prior_across([*usual, shop(rng, 0.0, sigma=2.0)])
    assert without is not None
    assert with_it is not None
    assert with_it.sigma == pytest.approx(without.sigma, rel=0.2)
    assert with_it.shape < without.shape


def test_a_new_shop_is_forecast_nearer_with_it() -> None:
    prior = across(np.random.default_rng(4), 12, 0.6, 0.15)
    drivers = {"area_m2": 3.0}
    true = DEFAULT.minutes(drivers) * np.exp(0.6 + 0.3 * np.random.default_rng(7).standard_normal(400))
    with_it, without = (predict(State.empty(KIND), drivers, {}, prior=p) for p in (prior, None))
    assert np.mean([with_it.crps(y) for y in true]) < 0.85 * np.mean([without.crps(y) for y in true])


def test_it_says_nothing_of_few_records_few_shops_or_a_kind_of_the_shops_own() -> None:
    rng = np.random.default_rng(0)
    state = State.empty(KIND)
    for i in range(FEWEST_RECORDS - 1):
        state = update(state, Observation(20.0 + i, {"area_m2": 2.0}, at=float(i)))
    assert published(state) is None
    assert published(update(state, Observation(20.0, {"area_m2": 2.0}, at=99.0))) is not None
    for own in ("sew-the-hem", "hold--paint-dries"):
        learned = State.empty(own, "unattended")
        for i in range(2 * FEWEST_RECORDS):
            learned = update(learned, Observation(20.0, at=float(i)))
        assert published(learned) is None
    assert prior_across([shop(rng, 0.0) for _ in range(FEWEST_SHOPS - 1)]) is None


def test_it_refuses_different_parts_in_one() -> None:
    said = shop(np.random.default_rng(0), 0.0)
    other = Published(**{**said.to_dict(), "kind": "weed"})
    with pytest.raises(ValueError, match="different stage parts"):
        prior_across([said, other, said])


NAMES = st.text(min_size=4, max_size=12).filter(lambda name: name not in DRIVERS)


@settings(max_examples=15, deadline=None)
@given(st.lists(NAMES, min_size=4, max_size=4, unique=True), st.integers(0, 1000))
def test_no_name_and_no_minutes_of_the_shop_leave_it(own: list[str], seed: int) -> None:
    """What is sent is the same whatever the shop calls its things, and its words are the trade's."""
    said = [_named(names, seed) for names in (own, [f"quiet {i}" for i in range(4)])]
    assert said[0].features == said[1].features
    assert set(said[0].features) <= set(common_features(DEFAULT))
    np.testing.assert_allclose(said[0].mean, said[1].mean, atol=1e-9)
    np.testing.assert_allclose(said[0].covariance, said[1].covariance, atol=1e-9)
    words = {key for key, value in said[0].to_dict().items() if isinstance(value, str)}
    assert words == {"kind", "part"}
    assert (said[0].kind, said[0].part) == (KIND, "hands_on")


def _named(names: list[str], seed: int) -> Published:
    rng, state = np.random.default_rng(seed), State.empty(KIND)
    job_type, person, machine, driver = names
    for i in range(FEWEST_RECORDS):
        drivers = {"area_m2": float(rng.uniform(1, 5)), driver: float(rng.uniform(0, 9))}
        categories = {"job_type": job_type, "person": person, "machine": machine}
        state = update(state, Observation(float(rng.uniform(5, 50)), drivers, categories, float(i)))
    said = published(state)
    assert said is not None
    return said


def test_it_is_kept_as_json_bit_for_bit() -> None:
    prior = across(np.random.default_rng(3), 4, 0.1, 0.2)
    again = prior_from_dict(json.loads(json.dumps(prior_to_dict(prior))))
    for name in ("sigma", "formula", "shape", "means", "sds", "centres"):
        assert getattr(again, name) == getattr(prior, name)
    forecasts = [predict(State.empty(KIND), {"area_m2": 2.0}, {}, prior=p).minutes for p in (prior, again)]
    assert np.array_equal(forecasts[0], forecasts[1])
