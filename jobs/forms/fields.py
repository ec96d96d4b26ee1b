"""Lengths as a shop writes them: millimetres or inches, metres or feet, or with the unit said."""

from __future__ import annotations

import math
import re
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from jobs.routes import ATTENDED
from shop.models import Units

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
    """The unit that a shop writes lengths in: of graphics, or (long) of paths and heights."""
    if units == Units.IMPERIAL:
        return "ft" if long else "in"
    return "m" if long else "mm"


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
    return f"{mm / MM_PER[unit]:.{digits}f}".rstrip("0").rstrip(".") if mm else "0"


def say_length(mm: float, unit: str) -> str:
    """Millimetres for a sentence: '1,370 mm', '53.94 in'."""
    whole, dot, part = write_length(mm, unit).partition(".")
    return f"{int(whole):,}{dot}{part} {unit}"


def say_minutes(minutes: int | None) -> str:
    """Minutes in words: '24 h', '1 h 30 min'; empty for none."""
    if not minutes:
        return ""
    hours, rest = divmod(minutes, 60)
    return " ".join([*([f"{hours} h"] if hours else []), *([f"{rest} min"] if rest else [])])


def wait_words(name: str, moment: str) -> str:
    """What a stage waits for: 'after Print', 'once Print runs alone'."""
    return f"once {name} runs alone" if moment == ATTENDED else f"after {name}"


class LengthField(forms.CharField):
    """A length: shown in `unit`, cleaned to `per` millimetres (1: mm, 1000: m); empty is None."""

    def __init__(self, *, per: float = 1.0, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.per = per
        self.unit = "mm"
        self.widget.attrs.setdefault("inputmode", "decimal")
        self.widget.attrs.setdefault("autocomplete", "off")

    def to_python(self, value: Any) -> Any:
        """Millimetres (or metres), or None."""
        text = super().to_python(value)
        if not text:
            return None
        try:
            return read_length(text, self.unit) / self.per
        except ValueError:
            raise ValidationError(
                f"“{text}” is not a length. Write a number of {self.unit}, or say the unit, as 1.2 m.",
                code="invalid",
            ) from None

    def validate(self, value: Any) -> None:
        """Required is enough: sizes are checked together with the rolls they must fit."""
        if value is None and self.required:
            raise ValidationError(self.error_messages["required"], code="required")

    def run_validators(self, value: Any) -> None:
        """None: the cleaned value is a number."""

    def prepare_value(self, value: Any) -> Any:
        """A number as the shop writes it; text as it was typed."""
        if isinstance(value, int | float) and not isinstance(value, bool):
            return write_length(value * self.per, self.unit)
        return value
