"""Instants and odds in words."""

from datetime import UTC, date, datetime

import pytest
import time_machine

from shop.models import Shop
from shop.templatetags.shop_time import near, shop_clock, shop_day, shop_seconds, shop_time
from shop.templatetags.shop_units import in_words
from shop.words import ANY_YEAR, CONFIDENCES, say_confidence, say_day, say_instant, say_near, say_short_day


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


def test_a_day_in_few_signs_has_its_weekday_too():
    assert say_short_day(date(2026, 12, 3), date(2026, 11, 25)) == "Thu 3 Dec"
    assert say_short_day(date(2027, 1, 4), date(2026, 12, 31)) == "Mon 4 Jan 2027"
    assert say_short_day(date(2026, 12, 3), ANY_YEAR) == "Thu 3 Dec 2026"


@pytest.mark.parametrize(
    ("at", "words"),
    [
        (datetime(2026, 11, 25, 14, 5), "14:05"),
        (datetime(2026, 11, 26, 0, 0), "Thu 00:00"),
        (datetime(2026, 12, 1, 9, 30), "Tue 09:30"),
        (datetime(2026, 12, 2, 9, 30), "Wed 2 Dec 09:30"),  # in a week 'Wed' alone would be today
        (datetime(2026, 11, 24, 9, 30), "Tue 24 Nov 09:30"),  # what is past is not taken for what comes
        (datetime(2027, 1, 4, 9, 30), "Mon 4 Jan 2027 09:30"),
    ],
)
def test_an_instant_in_few_signs(at, words):
    assert say_near(at, date(2026, 11, 25)) == words


@time_machine.travel(datetime(2026, 10, 24, 12, tzinfo=UTC), tick=False)
@pytest.mark.parametrize(
    ("zone", "first", "second"),
    [
        ("Europe/London", "01:30 BST", "01:30 GMT"),
        ("Europe/Berlin", "02:30 CEST", "02:30 CET"),
        ("UTC", "00:30", "01:30"),
    ],
)
def test_of_the_hour_that_comes_twice_it_is_said_which(zone, first, second):
    """The IANA time zone database: in 2026 Europe's clocks go back on 25 October at 01:00 UTC."""
    shop = Shop(time_zone=zone)
    one, other = datetime(2026, 10, 25, 0, 30, tzinfo=UTC), datetime(2026, 10, 25, 1, 30, tzinfo=UTC)
    assert [shop_time(at, shop).split(", ")[1] for at in (one, other)] == [first, second]
    assert near(one, shop) == f"Sun {first}"
    assert shop_clock(other, shop) == second


def test_where_a_zone_has_no_letters_its_distance_from_utc_is_said():
    """In 2018 the clocks of São Paulo went back on 18 February at 02:00 UTC; the zone is called '-02' and '-03'."""
    shop = Shop(time_zone="America/Sao_Paulo")
    at = datetime(2018, 2, 18, 2, 30, tzinfo=UTC)
    assert shop_seconds(at, shop) == "23:30:00 UTC-03:00"
    assert say_instant(shop.local(at), ANY_YEAR) == "Saturday 17 February 2018, 23:30 UTC-03:00"
