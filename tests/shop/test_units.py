"""Sizes and money in the shop's units.

Sources: the inch is 25.4 mm and the foot 0.3048 m exactly (international yard and pound agreement of 1959;
NIST SP 811, appendix B.6, gives both and the square foot as 9.290 304 E-02 m²; from memory).
"""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shop.models import Shop, Units
from shop.money import CURRENCIES, say_money
from shop.templatetags import shop_units
from shop.units import (
    area_from_m2,
    area_to_m2,
    price_from_m2,
    price_to_m2,
    read_length,
    say_area,
    say_length,
    say_long_length,
    write_length,
)

METRIC, IMPERIAL = Units.METRIC, Units.IMPERIAL


def test_inches_and_feet_are_exact():
    assert read_length("1", "in") == 25.4
    assert read_length("1", "ft") == 304.8
    assert read_length('54"', "mm") == pytest.approx(1371.6, abs=1e-9)
    assert area_to_m2(1, IMPERIAL) == 0.09290304
    assert area_from_m2(0.09290304, IMPERIAL) == 1


def test_a_length_says_its_own_unit_or_takes_the_shops():
    assert read_length("1370", "mm") == 1370
    assert read_length("1.37 m", "mm") == pytest.approx(1370)
    assert read_length("1,5 m", "in") == 1500
    assert read_length("1,370", "mm") == 1370
    for nonsense in ("", "wide", "1..2", "5 yd", "1e9"):
        with pytest.raises(ValueError, match="not a length"):
            read_length(nonsense, "mm")


@given(st.floats(0, 1e6), st.sampled_from(["mm", "in", "m", "ft"]))
def test_a_written_length_reads_back_as_precisely_as_a_shop_measures(mm, unit):
    step = {"mm": 0.1, "in": 0.254, "m": 1.0, "ft": 0.3048}[unit]
    assert read_length(write_length(mm, unit), unit) == pytest.approx(mm, abs=step / 2 * 1.001)


@given(st.floats(0, 1e6))
def test_areas_and_prices_go_there_and_back(value):
    for units in Units:
        assert area_to_m2(area_from_m2(value, units), units) == pytest.approx(value)
        assert price_to_m2(price_from_m2(value, units), units) == pytest.approx(value)


def test_a_price_and_an_area_give_the_same_amount_in_either_units():
    area, price = 12.5, 6.4
    assert area_from_m2(area, IMPERIAL) * price_from_m2(price, IMPERIAL) == pytest.approx(area * price)


def test_sizes_are_said_in_the_shops_units():
    metric, imperial = Shop(units=METRIC), Shop(units=IMPERIAL, currency="USD")
    assert shop_units.shop_length(1370, metric) == "1,370 mm"
    assert shop_units.shop_length(1370, imperial) == "53.94 in"
    assert shop_units.shop_area(2.05, metric) == "2.05 m²"
    assert shop_units.shop_area(0.09290304, imperial) == "1 ft²"
    assert shop_units.shop_long_length(50, imperial) == "164 ft"
    assert shop_units.shop_price_per_area(Decimal("10.00"), imperial) == "$0.93 per ft²"
    assert shop_units.shop_length(None, metric) == ""
    assert say_length(0, METRIC) == "0 mm"
    assert say_long_length(2.44, METRIC) == "2.4 m"
    assert say_area(1234.5, METRIC) == "1,234.5 m²"


def test_money_has_the_currencys_own_digits():
    # ISO 4217: two digits for most, none for the yen, three for the Kuwaiti dinar (from memory).
    assert say_money("1234.5", "EUR") == "€1,234.50"
    assert say_money(Decimal("-3.2"), "GBP") == "-£3.20"
    assert say_money(500, "JPY") == "¥500"
    assert say_money("1.5", "KWD") == "KWD\N{NO-BREAK SPACE}1.500"
    assert say_money("0.005", "USD") == "$0.01"
    assert len(set(CURRENCIES)) == len(CURRENCIES)
