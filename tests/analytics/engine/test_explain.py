"""Moves that can be added by hand, and the axioms that Shapley values are known by (Shapley 1953)."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics.engine.durations import Observation, State, predict, update
from analytics.engine.explain import Explanation, Situation, explain, shapley

USUAL = Situation({"area": 2.0, "pieces": 4.0})


def minutes_of(found: Explanation) -> dict[str, float]:
    return {name: move.minutes for move in found.moves for name in [" ".join(move.names)]}


def test_what_adds_up_moves_by_its_own_minutes():
    def middle(drivers, categories):
        return 10 + 5 * drivers["area"] + 2 * drivers["pieces"]

    found = explain(middle, USUAL, Situation({"area": 3.0, "pieces": 14.0}))
    assert (found.usual, found.here) == (28.0, 53.0)
    assert minutes_of(found) == {"pieces": pytest.approx(20.0), "area": pytest.approx(5.0)}
    assert [move.names for move in found.moves] == [("pieces",), ("area",)]


def test_what_multiplies_shares_the_rest_by_halves():
    """From 10 × 1 × 1 to 10 × 2 × 3 = 60: alone 10 and 20 more, and the other 20 are of both."""

    def middle(drivers, categories):
        return 10 * drivers["area"] * drivers["pieces"]

    found = explain(middle, Situation({"area": 1.0, "pieces": 1.0}), Situation({"area": 2.0, "pieces": 3.0}))
    assert minutes_of(found) == {"pieces": pytest.approx(30.0), "area": pytest.approx(20.0)}


def test_the_glove_game_has_its_known_values():
    """One left glove, two right ones, a pair is worth 1: 2/3, 1/6, 1/6 (Shapley 1953's values of a market game)."""
    worth = np.array([float(bool(mask & 1) and mask > 1) for mask in range(8)])
    np.testing.assert_allclose(shapley(worth), [2 / 3, 1 / 6, 1 / 6])


@given(st.integers(1, 5), st.integers(0, 2**32 - 1))
def test_the_values_are_the_mean_over_all_orders(n, seed):
    worth = np.random.default_rng(seed).normal(size=2**n)
    mean = np.zeros(n)
    for order in itertools.permutations(range(n)):
        inside = 0
        for player in order:
            mean[player] += worth[inside | 1 << player] - worth[inside]
            inside |= 1 << player
    np.testing.assert_allclose(shapley(worth), mean / math.factorial(n), atol=1e-12)


def test_coalitions_must_be_all_there_are():
    with pytest.raises(ValueError, match="6 coalitions"):
        shapley(np.zeros(6))


def test_alike_players_move_alike_and_a_dummy_does_not_move():
    def middle(drivers, categories):
        return math.exp(drivers["one"] + drivers["two"]) + 0.0 * drivers["dummy"]

    found = explain(
        middle,
        Situation({"one": 1.0, "two": 1.0, "dummy": 1.0}),
        Situation({"one": 2.0, "two": 2.0, "dummy": 2.0}),
    )
    moves = minutes_of(found)
    assert moves["one"] == pytest.approx(moves["two"])
    assert moves["dummy"] == 0.0


def test_what_is_the_same_is_no_player_and_what_is_given_only_here_is_one():
    def middle(drivers, categories):
        return 20.0 + drivers.get("planned_min", 0.0) / 2 + 7.0 * (categories.get("job_type") == "Lettering")

    here = Situation({**USUAL.drivers, "planned_min": 30.0}, {"job_type": "Lettering"})
    assert minutes_of(explain(middle, USUAL, here)) == {"planned_min": 15.0, "job_type": 7.0}


def test_of_more_than_eight_the_least_important_go_together_and_the_sum_stays_exact():
    calls = []

    def middle(drivers, categories):
        calls.append(1)
        return math.exp(sum(value / 10 for value in drivers.values()))

    names = [f"d{i:02}" for i in range(12)]
    found = explain(
        middle,
        Situation(dict.fromkeys(names, 0.0)),
        Situation({name: float(i) for i, name in enumerate(names)}),
    )
    assert [len(move.names) for move in found.moves] == [1] * 7 + [4]  # d00 stays 0: eleven differ
    assert found.moves[-1].names == ("d01", "d02", "d03", "d04")
    assert sum(move.minutes for move in found.moves) == pytest.approx(found.here - found.usual, abs=1e-9)
    assert len(calls) <= 2 + 22 + 2**8


def test_small_moves_are_shown_as_one():
    def middle(drivers, categories):
        return sum(drivers.values())

    usual = Situation(dict.fromkeys("abcd", 0.0))
    found = explain(middle, usual, Situation({"a": 9.0, "b": 0.1, "c": -0.2, "d": -5.0}), least=0.5)
    assert [move.names for move in found.moves] == [("a",), ("d",), ("b", "c")]
    assert found.moves[-1].minutes == pytest.approx(-0.1)


def test_nothing_differs_nothing_moves():
    assert explain(lambda drivers, categories: 5.0, USUAL, USUAL) == Explanation(5.0, 5.0, ())
    with pytest.raises(ValueError, match="among 0 players"):
        explain(lambda drivers, categories: 5.0, USUAL, USUAL, most=0)


def test_a_learned_model_is_explained_by_the_driver_that_made_its_minutes():
    """Weeding records whose minutes are 12 for each square metre and do not hang on the pieces."""
    state = State.empty("weed")
    rng = np.random.default_rng(5)
    for n in range(200):
        area, pieces = float(rng.uniform(0.5, 6.0)), float(rng.integers(1, 30))
        minutes = 12.0 * area * math.exp(rng.normal(0.0, 0.05))
        drivers = {"area_m2": area, "cut_m": 10.0, "pieces": pieces}
        state = update(state, Observation(minutes, drivers, {}, at=n * 1440.0))

    def middle(drivers, categories):
        return float(predict(state, drivers, categories).quantile(0.5))

    here = Situation({"area_m2": 4.0, "cut_m": 10.0, "pieces": 25.0})
    found = explain(middle, Situation({"area_m2": 2.0, "cut_m": 10.0, "pieces": 4.0}), here)
    moves = minutes_of(found)
    assert sum(moves.values()) == pytest.approx(found.here - found.usual, abs=1e-9)
    assert moves["area_m2"] == pytest.approx(24.0, abs=4.0)
    assert abs(moves["pieces"]) < 4.0
