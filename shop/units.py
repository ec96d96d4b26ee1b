"""Sizes in the shop's units. Kept in millimetres, metres and square metres; shown metric or imperial.

One inch is 25.4 mm and one foot 0.3048 m exactly (international yard and pound agreement, 1959), so one
square foot is 0.09290304 m². Pure.
"""

from __future__ import annotations

import math
import re

from shop.models import Units

MM_PER_IN = 25.4
M_PER_FT = 0.3048
M2_PER_FT2 = 0.09290304

MM_PER = {
    "mm": 1.0,
    "cm": 10.0,
    "m": 1000.0,
    "in": 25.4,
    '"': 25.4,
    "″": 25.4,
    "ft": 304.8,
    "'": 304.8,
    "′": 304.8,
}
_LENGTH = re.compile(r"""^(?P<number>[-+]?[\d.,]+)\s*(?P<unit>mm|cm|m|in|ft|["″'′])?$""", re.IGNORECASE)


def length_unit(units: str, *, long: bool = False) -> str:
    """The unit that a shop writes lengths in: of graphics and widths, or (long) of rolls, paths and heights."""
    if units == Units.IMPERIAL:
        return "ft" if long else "in"
    return "m" if long else "mm"


def area_unit(units: str) -> str:
    """'m²' or 'ft²'."""
    return "ft²" if units == Units.IMPERIAL else "m²"


def area_from_m2(m2: float, units: str) -> float:
    """Square metres in the shop's unit of area."""
    return m2 / M2_PER_FT2 if units == Units.IMPERIAL else m2


def area_to_m2(area: float, units: str) -> float:
    """An area in the shop's unit, in square metres."""
    return area * M2_PER_FT2 if units == Units.IMPERIAL else area


def price_from_m2(price: float, units: str) -> float:
    """A price per square metre as a price per the shop's unit of area."""
    return price * M2_PER_FT2 if units == Units.IMPERIAL else price


def price_to_m2(price: float, units: str) -> float:
    """A price per the shop's unit of area as a price per square metre."""
    return price / M2_PER_FT2 if units == Units.IMPERIAL else price


def read_length(text: str, unit: str) -> float:
    """Millimetres of '1370', '1.37 m', '1,5 m' or '54"'; without a unit it is `unit`. Raises ValueError."""
    match = _LENGTH.match(text.strip())
    number = match["number"] if match else ""
    # '1,370' is a thousand and more; '1,5' is one and a half.
    if re.fullmatch(r"[-+]?\d{1,3}(,\d{3})+(\.\d+)?", number):
        number = number.replace(",", "")
    try:
        value = float(number.replace(",", "."))
    except ValueError:
        value = math.nan
    if match is None or not math.isfinite(value):
        raise ValueError(f"{text!r} is not a length.")
    return value * MM_PER[(match["unit"] or unit).lower()]


def write_length(mm: float, unit: str) -> str:
    """Millimetres as a number of `unit`, as precise as a shop measures: 0.1 mm, 0.01 in, 1 mm of metres."""
    digits = {"mm": 1, "in": 2, "m": 3, "ft": 3}[unit]
    return _trim(f"{mm / MM_PER[unit]:.{digits}f}")


def say_length(mm: float, units: str) -> str:
    """Millimetres for a sentence, in the shop's unit of width: '1,370 mm', '53.94 in'."""
    unit = length_unit(units)
    return f"{_thousands(write_length(mm, unit))} {unit}"


def say_long_length(m: float, units: str) -> str:
    """Metres for a sentence, in the shop's unit of paths and rolls: '2.4 m', '7.9 ft'."""
    unit = length_unit(units, long=True)
    return f"{_thousands(_trim(f'{m * 1000 / MM_PER[unit]:.1f}'))} {unit}"


def say_area(m2: float, units: str) -> str:
    """Square metres for a sentence: '2.05 m²', '22.07 ft²'."""
    return f"{_thousands(_trim(f'{area_from_m2(m2, units):.2f}'))} {area_unit(units)}"


def _trim(number: str) -> str:
    trimmed = number.rstrip("0").rstrip(".") if "." in number else number
    return "0" if trimmed == "-0" else trimmed


def _thousands(number: str) -> str:
    whole, dot, part = number.partition(".")
    sign = "-" if whole.startswith("-") else ""
    return f"{sign}{int(whole.lstrip('-')):,}{dot}{part}"
