"""Forgotten stops: the odds of one, and how many are found in invented shops whose truth is known."""

import math
from collections import Counter, defaultdict

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics.engine.doubt import Signs, forgotten_chance, is_doubted, law_of, usual_minutes
from analytics.engine.features import row
from analytics.engine.forecast import LogLaw
from analytics.engine.trade import defaults_for
from analytics.selectors.nights import NIGHT, closed_nights
from tests.analytics.engine.invented import InventedShop
from tests.analytics.engine.invented_clock import HOURS, Clocked, clocked

NIGHT_MIN = NIGHT.total_seconds() / 60


@given(
    minutes=st.floats(0, 1e6),
    location=st.floats(-2, 8),
    scale=st.floats(0.05, 2),
    df=st.floats(1, 300),
)
def test_a_chance_is_a_chance_whatever_the_record(minutes, location, scale, df):
    assert 0.0 <= forgotten_chance(minutes, LogLaw(location, scale, df)) <= 1.0


def test_a_kind_that_takes_twenty_minutes_and_ran_for_five_hours_was_forgotten():
    law = law_of([0.1, -0.2, 0.3, 0.0, -0.3] * 6, math.log(20), 0.4)
    assert forgotten_chance(20, law) < 0.02
    assert forgotten_chance(300, law) > 0.98
    assert is_doubted(300, law, Signs(left=True))
    assert is_doubted(300, law, Signs(over_break=True))
    assert not is_doubted(300, law, Signs())
    assert not is_doubted(20, law, Signs(left=True))
    assert is_doubted(20, law, Signs(night=True))
    assert is_doubted(20, law, Signs(clash=True))


def test_a_shop_that_has_finished_nothing_of_a_kind_is_asked_nothing_about_its_minutes():
    """The default's spread is wide: five hours may be what the stage takes there."""
    assert forgotten_chance(300, law_of([], math.log(20), 0.8)) < 0.5


def test_one_wild_record_in_ten_does_not_move_the_law():
    """The median of ten and the median deviation stay within those of the nine."""
    nine = [-0.4, -0.3, -0.2, -0.1, 0.0, 0.1, 0.2, 0.3, 0.4]
    calm, wild = law_of(nine, 3.0, 0.5), law_of([*nine, 9.0], 3.0, 0.5)
    assert abs(wild.location - calm.location) <= 0.1
    assert wild.scale <= 1.2 * calm.scale


def test_the_law_recovers_a_known_level_and_spread():
    """The standard error of a median of 200 is 1.25 · 0.35 / √200 = 0.031; four of them are allowed."""
    rng = np.random.default_rng(5)
    law = law_of(list(0.6 + 0.35 * rng.standard_normal(200)), 3.0, 0.4)
    assert law.location == pytest.approx(3.6, abs=0.13)
    assert law.scale == pytest.approx(0.35, abs=0.1)
    assert usual_minutes(law, 0.5) == pytest.approx(math.exp(law.location))
    assert usual_minutes(law, 0.8) > usual_minutes(law, 0.5)


def _judged(seed: int, jobs: int) -> Counter[tuple[str, bool]]:
    """How many stretches of each truth a shop has, by whether they were doubted."""
    past: dict[str, list[float]] = defaultdict(list)
    found: Counter[tuple[str, bool]] = Counter()
    for one in clocked(InventedShop(seed), jobs, np.random.default_rng((seed, 1))):
        default = defaults_for(one.kind, "hands_on")
        offset = row(default, one.drivers, {}, lambda _: math.inf)[1]
        law = law_of(past[one.kind], offset, default.sigma)
        found[one.forgot, is_doubted(one.minutes, law, Signs(_night(one), one.left))] += 1
        past[one.kind].append(math.log(one.minutes) - offset)
    return found


def _night(one: Clocked) -> bool:
    return one.minutes > NIGHT_MIN and closed_nights("UTC", HOURS, one.starts, one.ends) > 0


@pytest.mark.parametrize("jobs", [10, 60, 200])
def test_how_many_forgotten_stops_are_found(jobs, capsys):
    """All that went through a night (a closed night lies in each, so none can be missed); of the others about half.

    A tenth of those show no sign at all. The bounds below are three standard errors and more from what was seen.
    """
    found: Counter[tuple[str, bool]] = Counter()
    shops = min(20, 2000 // jobs)
    for seed in range(shops):
        found += _judged(seed, jobs)
    share = {
        truth: found[truth, True] / (found[truth, True] + found[truth, False])
        for truth in ("night", "day", "")
    }
    with capsys.disabled():
        print(
            f"\nforgotten stops, {jobs} jobs in each of {shops} shops: overnight {share['night']:.1%} found, "
            f"same day {share['day']:.1%}, false alarms {share['']:.2%} of {found['', True] + found['', False]}"
        )
    assert share["night"] == 1.0
    assert share["day"] > (0.2 if jobs == 10 else 0.45)
    assert share[""] < 0.01
