"""The strips of a replay: every dot where its job is, none over another, on a rule with few words."""

from __future__ import annotations

from itertools import combinations

from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.pictures.replay import LEFT, RADIUS, RIGHT, replay_picture

MINUTES = st.lists(st.floats(0, 60 * 24 * 200), min_size=20, max_size=20).map(sorted)


@settings(max_examples=40, deadline=None)
@given(MINUTES, MINUTES)
def test_dots_stand_in_order_within_the_rule_and_none_over_another(before, after):
    picture = replay_picture([("As it was", before, before[9]), ("With the change", after, after[9])])
    assert 2 <= len(picture.ticks) <= 8
    assert [x for x, _ in picture.ticks] == sorted(x for x, _ in picture.ticks)
    for strip in picture.strips:
        assert [x for x, _ in strip.dots] == sorted(x for x, _ in strip.dots)
        for x, y in strip.dots:
            assert LEFT <= x <= RIGHT + 1e-6
            assert strip.word < y - RADIUS
            assert y + RADIUS <= strip.ground + 1e-6
        for (x0, y0), (x1, y1) in combinations(strip.dots, 2):
            assert (x0 - x1) ** 2 + (y0 - y1) ** 2 >= (2 * RADIUS) ** 2
    assert picture.strips[0].ground < picture.strips[1].word
    assert picture.strips[1].ground < picture.rule < picture.height


def test_both_strips_are_on_one_rule():
    """Six days to the rule's end: a job of three days stands in its middle, in both strips."""
    picture = replay_picture([("one", [3 * 1440.0], 3 * 1440.0), ("other", [3 * 1440.0, 6 * 1440.0], 0.0)])
    middle = (LEFT + RIGHT) / 2
    assert [strip.dots[0][0] for strip in picture.strips] == [middle, middle]
    assert picture.strips[1].dots[1][0] == RIGHT
    assert (picture.strips[0].middle, picture.strips[1].middle) == (middle, LEFT)
    assert [word for _, word in picture.ticks] == ["0", "1 d", "2 d", "3 d", "4 d", "5 d", "6 d"]


def test_short_jobs_are_on_a_rule_of_hours():
    picture = replay_picture([("one", [30.0, 90.0], 60.0)])
    assert [word for _, word in picture.ticks] == ["0", "0.25 h", "0.5 h", "0.75 h", "1 h", "1.25 h", "1.5 h"]
