"""A clock that does not tell hands-on from machine minutes: both are in one, and so is the trade default of them."""

import math

import numpy as np
import pytest

from analytics.engine.durations import Observation, State, predict, update
from analytics.engine.features import AS_ONE, row
from analytics.engine.learner import JobRecord, Learner, StageRecord, forecast_job
from analytics.engine.trade import TRADE, as_one, defaults_for


def printed(n: int, *, as_one: bool, noise: float = 0.2) -> list[StageRecord]:
    """Prints of which every part takes its trade default's minutes, with noise."""
    rng = np.random.default_rng(4)
    made = []
    for i in range(n):
        drivers = {"area_m2": float(rng.lognormal(1.0, 0.7)), "layers": 1.0}
        parts = [defaults_for("print", part).minutes(drivers) for part in ("hands_on", "unattended")]
        hands_on, alone = np.array(parts) * rng.lognormal(0.0, noise, 2)
        both = (hands_on + alone, 0.0) if as_one else (hands_on, alone)
        made.append(StageRecord("print", "print", *map(float, both), drivers, {}, finished_at=1440.0 * i))
    return made


def taught(stages: list[StageRecord]) -> Learner:
    learner = Learner()
    learner.learn_stages(stages)
    return learner


def total(learner: Learner, area: float) -> tuple[float, list[str]]:
    """The median of a print's minutes, and of which parts they are."""
    stage = StageRecord("print", "print", 0.0, 0.0, {"area_m2": area, "layers": 1.0})
    parts, [law], _ = forecast_job(learner, JobRecord("a", "", 0.0, [stage]), np.random.default_rng(1))
    return float(law.quantile(0.5)), list(parts[0])


def test_the_default_in_one_is_the_sum_of_both_parts():
    drivers = {"area_m2": 7.0, "layers": 2.0}
    both = as_one("print")
    assert both is not None
    assert both.minutes(drivers) == pytest.approx(4.0 + 3.0 + 5.0 * 7.0 * 2.0)
    assert as_one("weed") is as_one("outgas") is as_one("a kind of the shop's own") is None
    assert {kind for kind in TRADE if as_one(kind)} == {"print", "cut"}


@pytest.mark.parametrize("area", [1.0, 12.0])
def test_a_few_records_in_one_are_enough_to_forecast_small_and_large_prints(area):
    median, parts = total(taught(printed(5, as_one=True)), area)
    assert median == pytest.approx(4.0 + 3.0 + 5.0 * area, rel=0.3)
    assert parts == ["hands_on"]


def test_a_clock_that_tells_them_apart_is_learned_as_before():
    median, parts = total(taught(printed(5, as_one=False)), 12.0)
    assert median == pytest.approx(67.0, rel=0.3)
    assert parts == ["hands_on", "unattended"]


def test_a_record_in_one_among_others_does_not_bend_the_hands_on_minutes():
    few = printed(30, as_one=False)
    mixed = [*few[:15], *printed(30, as_one=True)[15:20], *few[20:]]
    law = taught(mixed).parts(few[0])["hands_on"]
    assert float(law.quantile(0.5)) == pytest.approx(4.0, rel=0.2)


def test_a_shop_that_begins_to_tell_them_apart_is_followed_once_that_is_the_usual():
    learner = taught([*printed(10, as_one=True), *printed(25, as_one=False)])
    median, parts = total(learner, 12.0)
    assert parts == ["hands_on", "unattended"]
    assert median == pytest.approx(67.0, rel=0.3)


def test_its_features_are_the_shares_of_both_parts():
    both = as_one("cut")
    assert both is not None
    features, offset = row(both, {"cut_m": 40.0}, {}, lambda _: 0.0, as_one=True)
    assert math.exp(offset) == pytest.approx(5.0 + 1.0 + 10.0)
    assert features[AS_ONE] == 1.0
    assert sum(value for name, value in features.items() if name.startswith("share:")) == pytest.approx(1.0)


def test_minutes_whose_machine_part_is_not_known_are_taken_as_the_shop_clocks():
    state = State.empty("print")
    for stage in printed(6, as_one=True):
        state = update(state, Observation(stage.hands_on, stage.drivers, {}, stage.finished_at, alone=0.0))
    known = update(state, Observation(67.0, {"area_m2": 12.0, "layers": 1.0}, {}, 9000.0, alone=0.0))
    unknown = update(state, Observation(67.0, {"area_m2": 12.0, "layers": 1.0}, {}, 9000.0))
    at = {"area_m2": 4.0, "layers": 1.0}
    assert np.array_equal(predict(known, at, {}).minutes, predict(unknown, at, {}).minutes)
