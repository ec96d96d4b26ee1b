"""The strip beside a stage's name lies where its minutes do, on one scale for all."""

from __future__ import annotations

import math

import pytest

from analytics.pictures.durations import SIDE, WIDTH, scale_of


def test_equal_ratios_are_equal_widths_and_the_strip_has_its_order() -> None:
    scale = scale_of([(2.0, 40.0), (10.0, 3000.0)])
    assert scale.x(20) - scale.x(10) == pytest.approx(scale.x(2000) - scale.x(1000), abs=0.2)
    strip = scale.strip(10, 40, 90, 160)
    assert strip.left < strip.middle < strip.eight < strip.left + strip.width
    per_px = math.log(scale.high / scale.low) / (WIDTH - 2 * SIDE)
    assert strip.width == pytest.approx(math.log(16) / per_px, abs=0.2)


@pytest.mark.parametrize("spans", [[], [(0.0, 0.0)], [(5.0, 5.0)], [(0.001, 200_000.0)]])
def test_whatever_there_is_stays_on_the_strip(spans: list[tuple[float, float]]) -> None:
    scale = scale_of(spans)
    for low, high in spans or [(1.0, 2.0)]:
        strip = scale.strip(low, low, high, high)
        assert SIDE <= strip.left <= strip.left + strip.width <= WIDTH
    assert all(SIDE <= tick.x <= WIDTH - SIDE for tick in scale.ticks)
