"""Moving the level at which dates are read off: it goes where the past's dates would have held, and no further."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr, ndtri

from analytics.engine.following import FEWEST, LAST, MOST, PRIOR, REACH, follow, law

LEVELS = np.array([0.0, 0.5, 0.8, 0.95, 1.0])


def places_of(pits: np.ndarray) -> list[tuple[float, float]]:
    """Between which stored levels each finish fell."""
    which = np.clip(np.searchsorted(LEVELS, pits, "left"), 1, LEVELS.size - 1)
    return [(float(LEVELS[k - 1]), float(LEVELS[k])) for k in which]


def shifted(rng: np.random.Generator, n: int, by: float) -> np.ndarray:
    """Where finishes fall in forecasts that are too early by so many standard deviations."""
    return ndtr(rng.standard_normal(n) + by)


TOO_EARLY = float(ndtri(0.8) - ndtri(0.6))
"""Forecasts of which six in ten are kept at eight in ten."""


def test_too_little_history_moves_nothing() -> None:
    late = [(0.95, 1.0)] * (FEWEST - 1)
    found = follow(late, 0.8)
    assert found.level == 0.8
    assert not found.enough
    assert follow([*late, (0.95, 1.0)], 0.8).level > 0.8


def test_a_hand_reckoned_level() -> None:
    # 40 seen, half of them at or below 0.5 and half between 0.5 and 1: all is as it should be.
    assert follow([(0.0, 0.5)] * 20 + [(0.5, 1.0)] * 20, 0.8).level == pytest.approx(0.8)
    # 20 believed even, and all of 20 seen above 0.8: F(0.8) = 16/40; above it (20u + 100(u - 0.8))/40, which is 0.8
    # at u = 112/120 = 0.933.
    found = follow([(0.8, 1.0)] * 20, 0.8)
    assert found.kept == pytest.approx(16 / 40)
    assert found.level == pytest.approx(112 / 120, abs=0.001)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000), confidence=st.sampled_from([0.5, 0.7, 0.8, 0.9, 0.95]))
def test_right_forecasts_leave_the_level_near(seed: int, confidence: float) -> None:
    pits = np.random.default_rng(seed).uniform(size=LAST)
    found = follow(places_of(pits), confidence)
    # Four standard errors of a share seen on 200.
    assert abs(found.level - confidence) < 4 * np.sqrt(confidence * (1 - confidence) / LAST)


def test_after_dates_that_were_too_early_eight_in_ten_hold_again() -> None:
    kept = []
    for seed in range(40):
        rng = np.random.default_rng([seed, 1])
        level = follow(places_of(shifted(rng, LAST, TOO_EARLY)), 0.8).level
        assert level > 0.82
        kept.append(float((shifted(rng, 2000, TOO_EARLY) <= level).mean()))
    assert np.mean(kept) == pytest.approx(0.8, abs=0.03)


def test_dates_that_were_too_late_come_nearer() -> None:
    rng = np.random.default_rng(3)
    found = follow(places_of(shifted(rng, LAST, -0.5)), 0.8)
    assert 0.8 - REACH <= found.level < 0.75


def test_in_a_closed_loop_it_settles() -> None:
    """Each date is given at the level learned from those before it; the last hundreds neither swing nor drift."""
    rng = np.random.default_rng(11)
    pits: list[float] = []
    levels, kept = [], []
    for pit in shifted(rng, 1500, TOO_EARLY):
        level = follow(places_of(np.array(pits)) if pits else [], 0.8).level
        levels.append(level)
        kept.append(pit <= level)
        pits.append(float(pit))
    settled = np.array(levels[400:])
    # The level wanders by the sampling error of 200 finishes, 0.028 of share, and no more.
    assert settled.std() < 0.02
    assert np.abs(np.diff(settled)).max() < 0.01
    assert np.mean(kept[400:]) == pytest.approx(0.8, abs=0.03)


def test_a_hit_or_miss_alone_is_enough() -> None:
    """Dates of which nothing is kept but whether they held: half of them did at eight in ten."""
    found = follow([(0.0, 0.8)] * 60 + [(0.8, 1.0)] * 60, 0.8)
    # F(0.8) = (16 + 60) / 140; above it rises by (20 + 300) / 140 for each 1 of level.
    assert found.kept == pytest.approx(76 / 140)
    assert found.level == pytest.approx(0.8 + (0.8 - 76 / 140) / (320 / 140), abs=0.001)


@settings(max_examples=25, deadline=None)
@given(
    k=st.lists(st.integers(0, 3), min_size=0, max_size=260),
    confidence=st.floats(0.5, 0.98),
)
def test_it_stays_in_bounds_and_the_law_rises(k: list[int], confidence: float) -> None:
    places = [(float(LEVELS[i]), float(LEVELS[i + 1])) for i in k]
    found = follow(places, confidence)
    assert confidence - REACH - 0.001 <= found.level <= max(MOST, confidence)
    assert found.n == min(len(k), LAST)
    grid = np.linspace(0, 1, 101)
    risen = law(places, grid)
    assert np.all(np.diff(risen) > 0)
    assert (risen[0], risen[-1]) == pytest.approx((0.0, 1.0))


def test_only_the_latest_count() -> None:
    rng = np.random.default_rng(5)
    old = places_of(shifted(rng, 1000, TOO_EARLY))
    new = places_of(rng.uniform(size=LAST))
    assert follow(old + new, 0.8) == follow(new, 0.8)
    assert PRIOR < LAST


def test_a_confidence_outside_is_named() -> None:
    with pytest.raises(ValueError, match=r"1\.5"):
        follow([], 1.5)
