"""What is asked of a replay: which days, and what is different.

Changes are gathered in a list that goes with the form, signed, so that nothing is stored before it is asked for.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Any

from django import forms
from django.core import signing

from analytics.engine.shop_changes import (
    AddMachine,
    AddPerson,
    DropMachine,
    DropPerson,
    LongerDays,
    OpenDay,
    RunAlone,
    ShopChange,
    ShorterHolds,
    SwapProcess,
    from_json,
    to_json,
)
from analytics.selectors.replays import QUARTER
from shop.models import Machine, Person, Process, Shop, Unattended
from shop.models.hours import Weekday

DAY = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
CLOCK = forms.TimeInput(attrs={"type": "time"}, format="%H:%M")
AS_IT_IS = ("", "As it is")
SALT = "replay"

MOST = 12
"""Changes in one list: more cannot be read as one question."""


def changes_signed(changes: Sequence[ShopChange]) -> str:
    """A list of changes as a form carries it."""
    return signing.dumps(to_json(changes), salt=SALT)


def changes_read(signed: str) -> list[ShopChange]:
    """The list that `changes_signed` made; empty for none, or for one that is not from here."""
    try:
        return list(from_json(signing.loads(signed, salt=SALT))) if signed else []
    except (signing.BadSignature, KeyError, TypeError):
        return []


class ReplayForm(forms.Form):
    """A press plays the days again with everything that is listed and chosen here.

    listed: the changes so far; dropped: the one that was taken out last, to put back; both as `changes_signed`.
    """

    listed = forms.CharField(required=False, widget=forms.HiddenInput)
    dropped = forms.CharField(required=False, widget=forms.HiddenInput)
    starts_on = forms.DateField(label="From", widget=DAY)
    ends_on = forms.DateField(label="To", widget=DAY)
    add_machine = forms.ChoiceField(label="Another machine", required=False)
    drop_machine = forms.ChoiceField(label="One machine less", required=False)
    run_alone = forms.ChoiceField(label="A machine may run alone", required=False)
    add_person = forms.ChoiceField(label="Another person", required=False)
    drop_person = forms.ChoiceField(label="One person less", required=False)
    longer = forms.ChoiceField(
        label="Longer days",
        required=False,
        choices=[
            AS_IT_IS,
            ("30", "Half an hour"),
            ("60", "An hour"),
            ("120", "Two hours"),
            ("180", "Three hours"),
        ],
    )
    weekday = forms.ChoiceField(
        label="Open on a day", required=False, choices=[AS_IT_IS, *((str(d.value), d.label) for d in Weekday)]
    )
    opens = forms.TimeField(label="Opens", required=False, widget=CLOCK)
    closes = forms.TimeField(label="Closes", required=False, widget=CLOCK)
    swap_from = forms.ChoiceField(label="Jobs made by", required=False)
    swap_to = forms.ChoiceField(label="made by this instead", required=False)
    hold_hours = forms.FloatField(
        label="Longest hold, hours",
        required=False,
        min_value=0,
        error_messages={"min_value": "Give hours from 0 on."},
        max_value=1000,
        widget=forms.NumberInput(attrs={"step": "any", "inputmode": "decimal"}),
    )

    def __init__(
        self, data: Any = None, *, shop: Shop, today: date, initial: Mapping[str, Any] | None = None
    ) -> None:
        days = {"starts_on": today - timedelta(days=QUARTER - 1), "ends_on": today}
        super().__init__(data, initial={**days, **(initial or {})})
        machines = list(Machine.objects.of(shop).filter(active=True).order_by("name"))
        people = list(Person.objects.of(shop).filter(active=True).order_by("name"))
        processes = list(Process.objects.of(shop).order_by("name"))
        alone = [
            (f"{machine.pk}:{when}", f"{machine.name}, {when.label[0].lower()}{when.label[1:]}")
            for machine in machines
            for when in (Unattended.OPEN_HOURS, Unattended.ALWAYS)
            if machine.unattended not in (Unattended.ALWAYS, when)
        ]
        anybody = [("0", "Somebody who can do everything")]
        self._offer("add_machine", [(str(m.pk), f"Like {m.name}") for m in machines])
        self._offer("drop_machine", [(str(m.pk), f"Without {m.name}") for m in machines])
        self._offer("run_alone", alone)
        self._offer("add_person", anybody + [(str(p.pk), f"As able as {p.name}") for p in people])
        self._offer("drop_person", [(str(p.pk), f"Without {p.name}") for p in people])
        self._offer("swap_from", [(str(p.pk), p.name) for p in processes])
        self._offer("swap_to", [(str(p.pk), p.name) for p in processes if p.active])

    def _offer(self, name: str, choices: list[tuple[str, str]]) -> None:
        field = self.fields[name]
        assert isinstance(field, forms.ChoiceField)  # noqa: S101 - for the type's sake
        field.choices = [AS_IT_IS, *choices]

    def clean(self) -> dict[str, Any]:
        """Things that go together are given together."""
        data = super().clean() or self.cleaned_data
        if data.get("weekday") and not (data.get("opens") and data.get("closes")):
            self.add_error("weekday", "Say from when to when it is open on that day.")
        elif data.get("weekday") and data["opens"] >= data["closes"]:
            self.add_error("closes", "It closes before it opens. Give it a later time.")
        elif (data.get("opens") or data.get("closes")) and not data.get("weekday"):
            self.add_error("weekday", "Choose the day that these hours are of.")
        if bool(data.get("swap_from")) != bool(data.get("swap_to")):
            self.add_error("swap_to", "Choose both: which process the jobs had, and which they have instead.")
        elif data.get("swap_from") and data["swap_from"] == data["swap_to"]:
            self.add_error("swap_to", "That is the same process. Choose another.")
        if len(changes_read(data.get("listed", ""))) >= MOST:
            self.add_error(None, f"{MOST} changes are the most at once. Take one out of the list first.")
        return data

    def changes(self) -> list[ShopChange]:
        """What is listed and what is chosen beside it, of the cleaned answers."""
        return changes_read(self.cleaned_data["listed"]) + self.chosen()

    def chosen(self) -> list[ShopChange]:
        """What is chosen beside the list, of the cleaned answers."""
        data, found = self.cleaned_data, list[ShopChange]()
        for name, kind in (
            ("add_machine", AddMachine),
            ("drop_machine", DropMachine),
            ("add_person", AddPerson),
            ("drop_person", DropPerson),
            ("longer", LongerDays),
        ):
            if data[name]:
                found.append(kind(int(data[name])))
        if data["weekday"]:
            found.append(OpenDay(int(data["weekday"]), f"{data['opens']:%H:%M}", f"{data['closes']:%H:%M}"))
        if data["run_alone"]:
            machine, _, when = data["run_alone"].partition(":")
            found.append(RunAlone(int(machine), when))
        if data["swap_from"]:
            found.append(SwapProcess(int(data["swap_from"]), int(data["swap_to"])))
        if data["hold_hours"] is not None:
            found.append(ShorterHolds(round(data["hold_hours"] * 60)))
        return found
