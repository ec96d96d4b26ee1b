"""The fields that ask for a shop's drivers: a number with its unit, a word, or yes or no."""

from __future__ import annotations

from typing import Any

from django import forms

from jobs.drivers import FROM_ITEMS, PLANNED
from jobs.models import Driver
from shop.forms.fields import LengthField
from shop.models import Shop
from shop.units import length_unit

LARGEST = 1e6

# What the items themselves give is not asked for again, but for panels: a piece may be laid in several.
NOT_ASKED = (*(key for key in FROM_ITEMS if key != "panels"), PLANNED)


class YesNoField(forms.TypedChoiceField):
    """Yes, no or not known, cleaned to 1, 0 or None."""

    def __init__(self, **kwargs: Any) -> None:
        choices = (("", "Not known"), ("1", "Yes"), ("0", "No"))
        super().__init__(choices=choices, coerce=float, empty_value=None, required=False, **kwargs)

    def prepare_value(self, value: Any) -> Any:
        """A stored 1.0 as the choice '1'; text as it was sent."""
        return f"{value:g}" if isinstance(value, int | float) else value


def driver_field(driver: Driver, shop: Shop, own: object = None) -> forms.Field:
    """The field for a driver, lengths in the shop's unit. own: what the job has, offered whatever else is."""
    if driver.is_yes_no:
        return YesNoField(label=driver.name)
    if driver.is_category:
        return _word_field(driver, own)
    if driver.unit == "m":
        field = LengthField(required=False, per=1000.0)
        field.unit = length_unit(shop.units, long=True)
        field.label = f"{driver.name}, {field.unit}"
        return field
    return forms.FloatField(
        required=False,
        min_value=0,
        max_value=LARGEST,
        label=f"{driver.name}, {driver.unit}" if driver.unit else driver.name,
        widget=forms.TextInput(attrs={"inputmode": "decimal"}),
    )


def _word_field(driver: Driver, own: object) -> forms.Field:
    if not driver.levels:
        return forms.CharField(required=False, max_length=80, label=driver.name)
    words = [*driver.levels, *([own] if own and own not in driver.levels else [])]
    choices = [("", "Not known"), *((str(word), str(word)) for word in words)]
    return forms.ChoiceField(required=False, choices=choices, label=driver.name)
