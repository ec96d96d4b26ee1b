"""What is asked of a replay: which days, and what is different."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from django import forms

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
)
from analytics.selectors.replays import QUARTER
from shop.models import Machine, Person, Process, Shop, Unattended
from shop.models.hours import Weekday

DAY = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
CLOCK = forms.TimeInput(attrs={"type": "time"}, format="%H:%M")
AS_IT_IS = ("", "As it is")


class ReplayForm(forms.Form):
    """A press plays the days again with everything that is chosen here."""

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

    def __init__(self, data: Any = None, *, shop: Shop, today: date) -> None:
        days = {"starts_on": today - timedelta(days=QUARTER - 1), "ends_on": today}
        super().__init__(data, initial=days)
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
        return data

    def changes(self) -> list[ShopChange]:
        """What is chosen, of the cleaned answers."""
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
