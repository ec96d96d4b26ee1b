"""A kind of stage, a customer, and a job type's name, as they are typed in."""

from __future__ import annotations

from typing import Any

from django import forms

from jobs.models import Attendance, Category, Customer, JobType, StageKind
from jobs.services.customers import customer_update
from jobs.services.routes import (
    MOST_HOLD_MIN,
    job_type_copy,
    job_type_create,
    stage_kind_create,
    stage_kind_update,
)
from jobs.stock import HOLD_KEY
from shop.errors import BadInput
from shop.models import MachineKind, Shop, Skill

AS_SET, AS_IT_TOOK = "set", "took"
LENGTHS = (
    (AS_SET, "As set, in hours"),
    (AS_IT_TOOK, "As it took, from earlier ones"),
)
BY_PROCESS = (
    (AS_IT_TOOK, "As its process says"),
    (AS_SET, "As set, where that is longer"),
)
LENGTH_HELP = (
    "As set: dates go by the hours below. As it took: it lasts until somebody says that it is over, and dates learn "
    "from earlier ones. The film maker's instructions come first: a solvent print must be dry before it is laminated "
    "or cut, and no record of earlier jobs makes one dry."
)


class StageKindForm(forms.Form):
    """Everything that a shop says of a kind of stage."""

    name = forms.CharField(max_length=80)
    category = forms.ChoiceField(label="Counts as", choices=Category.choices, initial=Category.WORK)
    attendance = forms.ChoiceField(choices=Attendance.choices, initial=Attendance.THROUGHOUT)
    machine_kind = forms.ChoiceField(
        label="Machine or bench", required=False, choices=[("", "None"), *MachineKind.choices]
    )
    skill = forms.ModelChoiceField(Skill.objects.none(), required=False, empty_label="None: anybody can")
    people = forms.IntegerField(label="People it takes", min_value=1, max_value=4, initial=1)
    hold_length = forms.ChoiceField(
        label="How long a hold lasts", required=False, choices=LENGTHS, help_text=LENGTH_HELP
    )
    hold_hours = forms.FloatField(
        label="Hold, hours",
        required=False,
        min_value=0,
        max_value=MOST_HOLD_MIN / 60,
        help_text="For a hold whose length is set; empty for any other stage.",
    )
    on_site = forms.BooleanField(
        label="Done at the customer’s",
        required=False,
        help_text="It then begins at the times at which the customer can be visited, where a job has such.",
    )
    caution = forms.CharField(
        required=False,
        max_length=1000,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="Shown where the work is.",
    )

    def __init__(self, data: Any = None, *, shop: Shop, kind: StageKind | None = None) -> None:
        super().__init__(data, initial=_facts(kind) if kind else {})
        self.shop, self.kind = shop, kind
        skill = self.fields["skill"]
        assert isinstance(skill, forms.ModelChoiceField)  # noqa: S101 - tells the type checker
        skill.queryset = Skill.objects.of(shop)
        length = self.fields["hold_length"]
        assert isinstance(length, forms.ChoiceField)  # noqa: S101 - tells the type checker
        length.choices = BY_PROCESS if kind and kind.key == HOLD_KEY else LENGTHS

    def clean(self) -> dict[str, Any]:
        """Hours go with a set length, and a set length with hours."""
        data = super().clean() or {}
        length, hours = data.get("hold_length"), data.get("hold_hours")
        if data.get("category") != Category.HOLD or "hold_hours" not in data:
            return data
        if length == AS_SET and hours is None:
            self.add_error("hold_hours", "Give the hours of the hold, or choose another length.")
        if length == AS_IT_TOOK and hours is not None:
            self.add_error("hold_hours", "Empty the hours, or choose the length as set.")
        return data

    def save(self) -> StageKind | None:
        """Make or change it; None where the shop refused, with the reason at the field."""
        data = self.cleaned_data
        hours = data["hold_hours"]
        facts = {
            "name": data["name"],
            "category": Category(data["category"]),
            "attendance": Attendance(data["attendance"]),
            "machine_kind": data["machine_kind"],
            "skill": data["skill"],
            "people": data["people"],
            "hold_min": None if hours is None else round(hours * 60),
            "caution": data["caution"],
            "on_site": data["on_site"],
        }
        try:
            if self.kind:
                return stage_kind_update(self.kind, **facts)
            return stage_kind_create(shop=self.shop, **facts)
        except BadInput as bad:
            self.add_error("hold_hours" if bad.field == "hold_min" else bad.field or None, bad.message)
            return None


class JobTypeForm(forms.Form):
    """A new job type: its name, and whose route it begins with."""

    name = forms.CharField(max_length=80)
    like = forms.ModelChoiceField(
        JobType.objects.none(), required=False, label="Copy the route of", empty_label="None: begin empty"
    )

    def __init__(self, data: Any = None, *, shop: Shop) -> None:
        super().__init__(data)
        self.shop = shop
        like = self.fields["like"]
        assert isinstance(like, forms.ModelChoiceField)  # noqa: S101 - tells the type checker
        like.queryset = JobType.objects.of(shop)

    def save(self) -> JobType | None:
        """Make it; None where the name is taken."""
        name, like = self.cleaned_data["name"], self.cleaned_data["like"]
        try:
            return job_type_copy(like, name) if like else job_type_create(shop=self.shop, name=name)
        except BadInput as bad:
            self.add_error("name", bad.message)
            return None


class CustomerForm(forms.Form):
    """A customer's name and how to reach them."""

    name = forms.CharField(max_length=120)
    contact = forms.CharField(required=False, max_length=200, help_text="Telephone, e-mail, address.")

    def __init__(self, data: Any = None, *, customer: Customer) -> None:
        super().__init__(data, initial={"name": customer.name, "contact": customer.contact})
        self.customer = customer

    def save(self) -> Customer | None:
        """Change the customer; None where the name is taken."""
        try:
            return customer_update(self.customer, **self.cleaned_data)
        except BadInput as bad:
            self.add_error(bad.field, bad.message)
            return None


def _facts(kind: StageKind) -> dict[str, Any]:
    names = ("name", "category", "attendance", "machine_kind", "skill", "people", "caution", "on_site")
    hours = None if kind.hold_min is None else round(kind.hold_min / 60, 2)
    length = AS_IT_TOOK if kind.hold_min is None else AS_SET
    return {**{name: getattr(kind, name) for name in names}, "hold_hours": hours, "hold_length": length}
