"""A week of opening hours, and closures."""

from __future__ import annotations

from datetime import time
from typing import Any

from django import forms
from django.http import QueryDict

from shop.errors import BadInput
from shop.hours import DAYS, Window, week_problems
from shop.models import Closure, Person, Shop
from shop.selectors import opening_hours
from shop.services.hours import closure_create, hours_replace

WINDOWS = 2  # a day


class TimeInput(forms.TimeInput):
    """A time of day, as browsers ask for it."""

    input_type = "time"

    def __init__(self) -> None:
        super().__init__(format="%H:%M")


class DateInput(forms.DateInput):
    """A day, as browsers ask for it."""

    input_type = "date"

    def __init__(self) -> None:
        super().__init__(format="%Y-%m-%d")


class HoursForm(forms.Form):
    """Seven days with two windows each; a day with no times is closed."""

    copy_from = forms.TypedChoiceField(
        label="Copy", coerce=int, choices=list(enumerate(DAYS)), required=False
    )
    copy_to = forms.TypedMultipleChoiceField(
        label="to",
        coerce=int,
        choices=list(enumerate(DAYS)),
        required=False,
        widget=forms.CheckboxSelectMultiple,
    )

    data: QueryDict

    def __init__(self, data: QueryDict | None = None, *, shop: Shop) -> None:
        super().__init__(data)
        self.shop = shop
        week = opening_hours(shop)
        for day, name in enumerate(DAYS):
            windows = week.get(day, [])
            for k in range(WINDOWS):
                for edge, label in enumerate(("opens", "closes")):
                    self.fields[f"{label}_{day}_{k}"] = forms.TimeField(
                        label=f"{name} {label}{' again' if k and not edge else ''}",
                        required=False,
                        initial=windows[k][edge] if k < len(windows) else None,
                        widget=TimeInput(),
                        error_messages={"invalid": "Write a time as 08:30."},
                    )

    def days(self) -> list[tuple[str, list[tuple[forms.BoundField, forms.BoundField]]]]:
        """For the page: each day's name, and its windows' fields."""
        return [
            (name, [(self[f"opens_{day}_{k}"], self[f"closes_{day}_{k}"]) for k in range(WINDOWS)])
            for day, name in enumerate(DAYS)
        ]

    def clean(self) -> dict[str, Any]:
        """Each window has both its ends, and the week makes sense."""
        data = super().clean() or self.cleaned_data
        week: dict[int, list[Window]] = {}
        for day, name in enumerate(DAYS):
            for k in range(WINDOWS):
                opens, closes = data.get(f"opens_{day}_{k}"), data.get(f"closes_{day}_{k}")
                self._read_window(week, day, k, name, opens, closes)
        if not self.errors:
            for problem in week_problems(week):
                field = None if problem.weekday is None else f"closes_{problem.weekday}_0"
                self.add_error(field, problem.message)
        return {**data, "week": week}

    def _read_window(
        self,
        week: dict[int, list[Window]],
        day: int,
        k: int,
        name: str,
        opens: time | None,
        closes: time | None,
    ) -> None:
        first, second = f"opens_{day}_{k}", f"closes_{day}_{k}"
        if opens is not None and closes is not None:
            week.setdefault(day, []).append((opens, closes))
        elif opens is not None and second not in self.errors:
            self.add_error(second, f"{name} has a time to open but none to close. Give both, or neither.")
        elif closes is not None and first not in self.errors:
            self.add_error(first, f"{name} has a time to close but none to open. Give both, or neither.")

    def copied(self) -> HoursForm:
        """The same form with one day's times copied to the days ticked; nothing is saved."""
        data = self.data.copy()
        source = data.get("copy_from", "0")
        for day in self.data.getlist("copy_to"):
            for k in range(WINDOWS):
                for edge in ("opens", "closes"):
                    data[f"{edge}_{day}_{k}"] = data.get(f"{edge}_{source}_{k}", "")
        data.pop("copy_to", None)
        return HoursForm(data, shop=self.shop)

    def save(self) -> None:
        """Give the shop these hours."""
        hours_replace(self.shop, self.cleaned_data["week"])


class ClosureForm(forms.Form):
    """Days on which the shop is closed, or on which somebody is away."""

    person = forms.ModelChoiceField(
        Person.objects.none(), label="Who", required=False, empty_label="The whole shop is closed"
    )
    starts_on = forms.DateField(label="First day", widget=DateInput())
    ends_on = forms.DateField(
        label="Last day", required=False, widget=DateInput(), help_text="Empty: that day only."
    )
    reason = forms.CharField(required=False, max_length=120)

    def __init__(self, data: Any = None, *, shop: Shop) -> None:
        super().__init__(data)
        self.shop = shop
        person = self.fields["person"]
        assert isinstance(person, forms.ModelChoiceField)  # noqa: S101 - tells the type checker
        person.queryset = Person.objects.of(shop).filter(active=True)

    def save(self) -> Closure | None:
        """Make it; None where it was refused, with the reason at its field."""
        data = self.cleaned_data
        try:
            return closure_create(
                shop=self.shop,
                starts_on=data["starts_on"],
                ends_on=data["ends_on"] or data["starts_on"],
                person=data["person"],
                reason=data["reason"],
            )
        except BadInput as bad:
            self.add_error(bad.field or None, bad.message)
            return None
