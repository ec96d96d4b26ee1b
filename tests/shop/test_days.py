"""Holidays, closures, absences and hours, as the computation reads them."""

from datetime import date, time

import pytest

from shop.errors import BadInput
from shop.holidays import countries, national_holidays, regions
from shop.models import Closure, OpeningHours, Person, Shop
from shop.selectors import absent_days, closed_days, opening_hours
from shop.services import shop_create, weekday_hours_create


@pytest.fixture
def shop(db) -> Shop:
    return shop_create(slug="quay", name="Quay Signs", time_zone="Europe/Berlin", holiday_country="DE")


def test_the_days_of_germany_in_2027_are_those_of_its_laws():
    # Nine days are kept in every German state: New Year, Good Friday, Easter Monday, Labour Day, Ascension,
    # Whit Monday, Unity Day, two at Christmas. Easter Sunday of 2027 is 28 March (from memory).
    found = national_holidays("DE", "", [2027])
    assert list(found) == [
        date(2027, *day)
        for day in [(1, 1), (3, 26), (3, 29), (5, 1), (5, 6), (5, 17), (10, 3), (12, 25), (12, 26)]
    ]
    assert found[date(2027, 1, 1)] == "New Year's Day"


def test_a_region_has_days_of_its_own():
    bavaria, whole = national_holidays("DE", "BY", [2027]), national_holidays("DE", "", [2027])
    assert date(2027, 1, 6) in bavaria
    assert date(2027, 1, 6) not in whole
    assert set(whole) < set(bavaria)


def test_no_country_has_no_days():
    assert national_holidays("", "", [2027]) == {}


@pytest.mark.parametrize(
    ("country", "region", "field", "told"),
    [
        ("GERMANI", "", "holiday_country", "Germany (DE)"),
        ("??", "", "holiday_country", "Choose one from the list"),
        ("DE", "Bavarya", "holiday_region", "no region"),
        ("DE", "Bayer", "holiday_region", "Bayern (BY)"),
        ("DK", "XX", "holiday_region", "same holidays everywhere"),
    ],
)
def test_an_unknown_place_is_named_with_what_may_have_been_meant(country, region, field, told):
    with pytest.raises(BadInput) as bad:
        national_holidays(country, region, [2027])
    assert told in bad.value.message
    assert bad.value.field == field


def test_every_country_has_a_name_and_an_answer():
    assert countries()["GB"] == "United Kingdom"
    assert countries()["TT"] == "Trinidad and Tobago"
    assert regions("GB")["SCT"] == "Scotland"
    assert all(len(code) == 2 and name for code, name in countries().items())


def test_closed_days_are_holidays_and_closures_within_the_span(shop):
    person = Person.objects.create(shop=shop, name="Ada")
    Closure.objects.create(shop=shop, starts_on=date(2026, 12, 20), ends_on=date(2027, 1, 3), reason="Winter")
    Closure.objects.create(shop=shop, starts_on=date(2026, 12, 29), ends_on=date(2026, 12, 29), person=person)
    other = shop_create(slug="hill", name="Hill Signs")
    Closure.objects.create(shop=other, starts_on=date(2026, 12, 1), ends_on=date(2026, 12, 31))
    found = closed_days(shop, date(2026, 12, 24), date(2026, 12, 26))
    assert found == {date(2026, 12, 24), date(2026, 12, 25), date(2026, 12, 26)}
    assert closed_days(shop, date(2026, 12, 1), date(2026, 12, 19)) == set()
    assert date(2027, 1, 1) in closed_days(shop, date(2026, 12, 31), date(2027, 1, 1))


def test_absences_are_each_persons_own(shop):
    ada, ben = (Person.objects.create(shop=shop, name=name) for name in ("Ada", "Ben"))
    Closure.objects.create(shop=shop, starts_on=date(2027, 2, 1), ends_on=date(2027, 2, 3), person=ada)
    Closure.objects.create(shop=shop, starts_on=date(2027, 2, 3), ends_on=date(2027, 2, 4), person=ada)
    Closure.objects.create(shop=shop, starts_on=date(2027, 3, 1), ends_on=date(2027, 3, 1), person=ben)
    away = absent_days(shop, date(2027, 2, 2), date(2027, 2, 28))
    assert away == {ada.pk: {date(2027, 2, 2), date(2027, 2, 3), date(2027, 2, 4)}}


def test_hours_are_windows_by_weekday_in_order(shop):
    weekday_hours_create(shop)
    OpeningHours.objects.create(shop=shop, weekday=5, opens=time(14), closes=time(0))
    OpeningHours.objects.create(shop=shop, weekday=5, opens=time(9), closes=time(12))
    week = opening_hours(shop)
    assert week[0] == [(time(8, 30), time(17))]
    assert week[5] == [(time(9), time(12)), (time(14), time(0))]
    assert 6 not in week
