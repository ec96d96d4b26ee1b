"""What the page says of figures, in sentences."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analytics.engine.quality import Bias, ErrorRatio, Runs, Uniformity, coverage_at
from analytics.words.forecasts import (
    say_bias,
    say_counted,
    say_error,
    say_minutes,
    say_runs,
    say_share,
    say_uniformity,
    say_verdict,
    say_worth,
)


def seen(hits, n, level=0.8, worth=None):
    return coverage_at(level, np.arange(n) < hits, n if worth is None else worth)


def test_a_share_is_counted_out_with_what_is_within_chance():
    one = seen(173, 214)
    assert say_counted(one, "stage") == (
        "Of 214 stages, 173 were done within the eight-in-ten time: 81 %, where 80 % was said."
    )
    assert say_verdict(one, "stage") == "With so many stages anything from 75 to 85 % is within chance."


def test_one_job_is_one_job():
    assert say_counted(seen(1, 1, 0.95), "job") == (
        "Of 1 job, 1 was done within the nineteen-in-twenty time: 100 %, where 95 % was said."
    )


@pytest.mark.parametrize(
    ("hits", "n", "said"),
    [(60, 100, "promise too much"), (95, 100, "more time than is needed"), (8, 10, "too few to say")],
)
def test_what_follows_from_a_share_is_said(hits, n, said):
    assert said in say_verdict(seen(hits, n), "stage")


@pytest.mark.parametrize(
    ("share", "said"),
    [
        (0.0, "0 %"),
        (0.001, "under 1 %"),
        (0.814, "81 %"),
        (0.997, "over 99 %"),
        (1.0, "100 %"),
        (math.nan, "–"),
    ],
)
def test_a_share_that_is_not_quite_none_or_all_says_so(share, said):
    assert say_share(share) == said


def test_minutes_have_as_many_digits_as_they_deserve():
    assert [say_minutes(x) for x in (0.42, 9.9, 9.96, 123.4)] == ["0.4 min", "9.9 min", "10 min", "123 min"]


def test_that_stages_of_a_job_hang_together_is_said_where_it_matters():
    assert "these 600 tell as much as about 316" in say_worth(600, 316.2, "stage")
    assert say_worth(600, 580.0, "stage") == ""


def test_an_error_is_held_against_what_there_is():
    better, chance = ErrorRatio(40, 5.0, 10.0, 0.5, 0.4, 0.6), ErrorRatio(12, 9.0, 10.0, 0.9, 0.7, 1.1)
    worse, few = ErrorRatio(40, 12.0, 10.0, 1.2, 1.1, 1.3), ErrorRatio(3, 5.0, 10.0, 0.5, math.nan, math.nan)
    said = say_error(5.0, (better, None, chance), "stage")
    assert said[0] == "The forecasts were off by 5.0 min for each stage, their own width counted in."
    assert said[1:] == [
        "That is 50 % of the error of the past's mean with a quarter added (40 to 60 %), so the forecasts were better.",
        "For the 12 stages with an own estimate the forecasts' error is 90 % of that of the estimate (70 to 110 %), "
        "which may be chance.",
    ]
    assert say_error(5.0, (worse, None, None), "job")[1].endswith("so the forecasts were worse.")
    assert say_error(5.0, (few, None, None), "job")[1].endswith("with a quarter added.")
    assert say_error(math.nan, (None, None, None), "job") == []


def test_a_bias_is_said_by_its_direction():
    assert say_bias(Bias(-3.0, -5.0, -1.0), "stage") == (
        "The middle stage took 3.0 min less than its forecast's middle (between 1.0 min and 5.0 min)."
    )
    assert "No bias that chance does not explain" in say_bias(Bias(1.0, -1.0, 3.0), "job")
    assert say_bias(None, "job") == ""


def test_runs_and_chance_are_said():
    assert say_runs(Runs(0.4, 0.2)).startswith("Misses come in runs")
    assert say_runs(Runs(0.1, 0.2)).startswith("Misses do not come in runs")
    assert say_runs(None) == ""
    assert say_uniformity(Uniformity(0.05, 0.43)).endswith("about 43 times in 100.")
    assert say_uniformity(Uniformity(0.05, 0.012)).endswith("about one time in 100.")
    assert say_uniformity(Uniformity(0.2, 0.0004)).endswith("fewer than one time in 100.")
