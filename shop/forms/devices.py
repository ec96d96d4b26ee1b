"""Letting a device in, and PINs."""

from __future__ import annotations

from typing import Any

from django import forms

from shop.errors import BadInput
from shop.models import Person, Purpose
from shop.services.pins import is_pin, pin_set

_PIN = {"inputmode": "numeric", "autocomplete": "one-time-code", "maxlength": "8"}


class DeviceForm(forms.Form):
    """A new device."""

    name = forms.CharField(
        label="Device’s name", max_length=60, help_text="Where it stands or lies, as Bench tablet."
    )
    purpose = forms.ChoiceField(
        label="What it is for",
        choices=Purpose.choices,
        initial=Purpose.FLOOR,
        help_text="A tablet on the floor clocks, and asks who presses. A screen on the wall only shows.",
    )


class RenameForm(forms.Form):
    """Another name for a device."""

    name = forms.CharField(label="Device’s name", max_length=60)


class PinForm(forms.Form):
    """A person's new PIN, typed twice; neither is ever shown again."""

    pin = forms.CharField(
        label="New PIN",
        widget=forms.PasswordInput(_PIN),
        help_text="4 to 8 digits. No run such as 1234, and not all the same.",
    )
    again = forms.CharField(label="New PIN again", widget=forms.PasswordInput(_PIN))

    def __init__(self, data: Any = None, *, person: Person) -> None:
        super().__init__(data)
        self.person = person

    def clean(self) -> dict[str, Any]:
        """The two agree."""
        data = super().clean() or self.cleaned_data
        if data.get("pin") and data.get("again") and data["pin"] != data["again"]:
            self.add_error("again", "The two PINs differ. Type the same one twice.")
        return data

    def save(self) -> bool:
        """Keep it; False where it was refused, with the reason at its field."""
        try:
            pin_set(self.person, self.cleaned_data["pin"])
        except BadInput as bad:
            self.add_error(bad.field or None, bad.message)
            return False
        return True


class AskPinForm(forms.Form):
    """The PIN that goes with a name."""

    pin = forms.CharField(
        label="PIN",
        widget=forms.PasswordInput({**_PIN, "class": "pin", "autofocus": True, "data-pin": ""}),
        error_messages={"required": "Type your PIN."},
    )

    def clean_pin(self) -> str:
        """Digits; whose they are is asked elsewhere."""
        pin: str = self.cleaned_data["pin"]
        if not is_pin(pin):
            raise forms.ValidationError("A PIN is 4 to 8 digits.")
        return pin
