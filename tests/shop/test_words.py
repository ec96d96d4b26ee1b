"""Instants and odds in words."""

from datetime import UTC, date, datetime

import pytest
import time_machine

from shop.models import Shop
from shop.templatetags.shop_time import shop_clock, shop_day, shop_time
from shop.templatetags.shop_units import in_words
from shop.words import CONFIDENCES, say_confidence, say_day


@pytest.mark.parametrize(
    ("confidence", "words"),
    [
        (0.5, "one time in two"),
        (0.7, "seven times in ten"),
        (0.75, "three times in four"),
        (0.8, "eight times in ten"),
        (0.95, "nineteen times in twenty"),
        (0.98, "98 times in 100"),
        (0.825, "82.5 times in 100"),
    ],
)
def test_odds_are_said_as_people_say_them(confidence, words):
    assert say_confidence(confidence) == words
    assert in_words(confidence) == words


def test_every_offered_confidence_may_be_stored():
    assert all(0.5 <= confidence <= 0.99 for confidence in CONFIDENCES)


@time_machine.travel(datetime(2026, 11, 25, 12, tzinfo=UTC), tick=False)
def test_an_instant_is_said_on_the_shops_wall_clock():
    at = datetime(2026, 12, 3, 15, 0, tzinfo=UTC)
    assert shop_time(at, Shop(time_zone="Europe/Berlin")) == "Thursday 3 December, 16:00"
    assert shop_time(at, Shop(time_zone="Australia/Sydney")) == "Friday 4 December, 02:00"
    assert shop_clock(at, Shop(time_zone="America/New_York")) == "10:00"
    assert shop_time(None, Shop()) == ""


@time_machine.travel(datetime(2026, 12, 31, 23, 30, tzinfo=UTC), tick=False)
def test_the_year_is_said_where_it_is_another():
    assert say_day(date(2027, 1, 4), date(2026, 12, 31)) == "Monday 4 January 2027"
    # In Berlin it already is the new year.
    assert shop_day(date(2027, 1, 4), Shop(time_zone="Europe/Berlin")) == "Monday 4 January"
    assert shop_day(date(2027, 1, 4), Shop(time_zone="UTC")) == "Monday 4 January 2027"
