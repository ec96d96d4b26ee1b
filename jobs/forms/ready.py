"""A readiness check as it is typed in."""

from __future__ import annotations

from typing import Any

from django import forms

from jobs.services.readiness import LONGEST, MOST_IDLE_HOURS, CheckFacts, check_save
from shop.errors import BadInput
from shop.models import Machine, ReadinessCheck


class CheckForm(forms.Form):
    """What a shop says of one check of a machine."""

    name = forms.CharField(max_length=LONGEST, label="What is done")
    idle_hours = forms.IntegerField(
        label="Due once it stood for so many hours",
        min_value=0,
        max_value=MOST_IDLE_HOURS,
        initial=0,
        help_text="0: before every day’s first job. 72: after three days.",
    )
    if_bad = forms.CharField(
        label="What to do when it is not good",
        required=False,
        max_length=200,
        widget=forms.Textarea({"rows": 2}),
    )
    caution = forms.CharField(
        required=False,
        max_length=1000,
        widget=forms.Textarea({"rows": 3}),
        help_text="Shown where the work is.",
    )

    def __init__(self, data: Any = None, *, machine: Machine, check: ReadinessCheck | None = None) -> None:
        names = ("name", "idle_hours", "if_bad", "caution")
        super().__init__(data, initial={n: getattr(check, n) for n in names} if check else {})
        self.machine, self.row = machine, check

    def save(self) -> ReadinessCheck | None:
        """Make or change it; None where the shop refused, with the reason at the field."""
        try:
            return check_save(self.machine, CheckFacts(**self.cleaned_data), self.row)
        except BadInput as bad:
            self.add_error(bad.field or None, bad.message)
            return None
