"""Fields in the shop's units, and a text field with a list to choose from."""

from __future__ import annotations

import math
from collections.abc import Iterable
from decimal import Decimal
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from shop.models import Units
from shop.units import M2_PER_FT2, read_length, write_length


class LengthField(forms.CharField):
    """A length: shown in `unit`, cleaned to `per` millimetres (1: mm, 1000: m); empty is None.

    The bounds are in millimetres whatever is shown.
    """

    def __init__(
        self, *, per: float = 1.0, least_mm: float = -math.inf, most_mm: float = math.inf, **kwargs: Any
    ) -> None:
        super().__init__(**kwargs)
        self.per, self.least_mm, self.most_mm = per, least_mm, most_mm
        self.unit = "mm"
        self.widget.attrs.setdefault("inputmode", "decimal")
        self.widget.attrs.setdefault("autocomplete", "off")

    def to_python(self, value: Any) -> Any:
        """Millimetres (or metres), or None."""
        text = super().to_python(value)
        if not text:
            return None
        try:
            mm = read_length(text, self.unit)
        except ValueError:
            raise ValidationError(
                f"“{text}” is not a length. Write a number of {self.unit}, or say the unit, as 1.2 m.",
                code="invalid",
            ) from None
        if not self.least_mm <= mm <= self.most_mm:
            low, high = (write_length(bound, self.unit) for bound in (self.least_mm, self.most_mm))
            raise ValidationError(f"{text} is out of range: from {low} to {high} {self.unit}.", code="range")
        return mm / self.per

    def validate(self, value: Any) -> None:
        """Only whether it is there; the range is checked where the unit is known."""
        if value is None and self.required:
            raise ValidationError(self.error_messages["required"], code="required")

    def run_validators(self, value: Any) -> None:
        """None: the cleaned value is a number."""

    def prepare_value(self, value: Any) -> Any:
        """A number as the shop writes it; text as it was typed."""
        if isinstance(value, int | float) and not isinstance(value, bool):
            return write_length(value * self.per, self.unit)
        return value

    def has_changed(self, initial: Any, data: Any) -> bool:
        """Whether what is typed differs from what was shown: a shown number is rounded."""
        return bool((self.prepare_value(initial) or "") != (data or ""))


class PerAreaField(forms.DecimalField):
    """An amount per area (a price, ink): shown per `units`' area, cleaned to per square metre."""

    def __init__(self, *, digits: int = 2, **kwargs: Any) -> None:
        super().__init__(**{"min_value": 0, "max_value": 99_999, **kwargs})
        self.digits = digits
        self.units: str = Units.METRIC
        self.widget.attrs.setdefault("inputmode", "decimal")

    @property
    def area_m2(self) -> Decimal:
        """One of the shop's units of area, in square metres."""
        return Decimal(str(M2_PER_FT2)) if self.units == Units.IMPERIAL else Decimal(1)

    def clean(self, value: Any) -> Any:
        """Per square metre; nothing typed is nothing."""
        amount = super().clean(value)
        return Decimal(0) if amount is None else round(amount / self.area_m2, self.digits)

    def prepare_value(self, value: Any) -> Any:
        """A stored amount per the shop's area; text as it was typed."""
        if isinstance(value, int | float | Decimal):
            shown = round(Decimal(str(value)) * self.area_m2, self.digits)
            return f"{shown.normalize():f}" if shown else "0"
        return value

    def has_changed(self, initial: Any, data: Any) -> bool:
        """Whether what is typed differs from what was shown: a shown number is rounded."""
        return bool((self.prepare_value(initial) or "") != (data or ""))


class ListedInput(forms.TextInput):
    """A text input with suggestions to search in, which browsers do without a script."""

    template_name = "shop/widgets/listed.html"

    def __init__(self, suggestions: Iterable[str], attrs: dict[str, Any] | None = None) -> None:
        super().__init__({"autocomplete": "off", **(attrs or {})})
        self.suggestions = tuple(suggestions)

    def get_context(self, name: str, value: Any, attrs: dict[str, Any] | None) -> dict[str, Any]:
        """The widget's context, with its list."""
        context = super().get_context(name, value, attrs)
        list_id = f"{context['widget']['attrs'].get('id', name)}_list"
        context["widget"]["attrs"]["list"] = list_id
        return {**context, "list_id": list_id, "suggestions": self.suggestions}


def use_units(form: forms.BaseForm, units: str) -> None:
    """Show a form's lengths and areas in these units, and say so in the labels."""
    imperial = units == Units.IMPERIAL
    for field in form.fields.values():
        if isinstance(field, LengthField):
            short, long = ("in", "ft") if imperial else ("mm", "m")
            field.unit = long if field.per > 1 else short
            field.label = f"{field.label}, {field.unit}"
        elif isinstance(field, PerAreaField):
            field.units = units
            field.label = f"{field.label} per {'ft²' if imperial else 'm²'}"
