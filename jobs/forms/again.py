"""Work done again, as it is recorded afterwards; and the time that its list is narrowed to."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any
from uuid import uuid4

from django import forms

from jobs.clock.redoing import affected
from jobs.forms.corrections import LocalTime
from jobs.models import Cause, Job, Stage, TapKind
from jobs.routes import active_edges
from jobs.services.tap_checks import OLDEST
from jobs.services.taps import Tap, record_taps
from shop.forms.fields import LengthField, use_units
from shop.models import Person, Shop, User
from shop.words import say_day

MOST_M = 5000


class AgainForm(forms.Form):
    """One re-make of a job: where it was noticed, from where it is done again, why, and what it wasted."""

    id = forms.UUIDField(widget=forms.HiddenInput)
    stage = forms.ModelChoiceField(Stage.objects.none(), label="Noticed at", empty_label="Choose …")
    to_stage = forms.ModelChoiceField(
        Stage.objects.none(), label="Done again from", required=False, empty_label="The same stage"
    )
    cause = forms.ModelChoiceField(Cause.objects.none(), empty_label="Choose …")
    at = LocalTime(
        label="When it was noticed",
        help_text="What was clocked on these stages after it counts as done again. Those that were finished before it "
        "are open until they are finished once more.",
    )
    scrapped = forms.IntegerField(
        label="Pieces scrapped", required=False, min_value=0, max_value=1_000_000, widget=forms.NumberInput
    )
    wasted_m = LengthField(
        label="Film wasted",
        per=1000,
        required=False,
        least_mm=0,
        most_mm=MOST_M * 1000,
        help_text="Length of roll.",
    )
    person = forms.ModelChoiceField(
        Person.objects.none(), label="Who noticed", required=False, empty_label="–"
    )
    note = forms.CharField(required=False, max_length=200)

    def __init__(self, data: Any = None, *, job: Job, now: datetime, person: Person | None = None) -> None:
        shop = job.shop
        lately = now.replace(second=0, microsecond=0)
        super().__init__(data, initial={"id": uuid4(), "at": lately, "person": person})
        self.job, self.now = job, now
        use_units(self, shop.units)
        stages = job.stages.filter(left_out=False, started_at__isnull=False)
        choices: dict[str, Any] = {
            "stage": stages,
            "to_stage": stages,
            "cause": Cause.objects.of(shop).filter(active=True, remakes=True),
            "person": Person.objects.of(shop).filter(active=True),
        }
        for name, rows in choices.items():
            field: Any = self.fields[name]
            field.queryset = rows
        noticed: Any = self.fields["at"]
        noticed.set_shop(shop, lately)

    def clean_at(self) -> datetime:
        """Not ahead, and not older than taps may be."""
        at: datetime = self.cleaned_data["at"]
        if at > self.now + timedelta(minutes=1):
            raise forms.ValidationError("That is still to come. Give the time at which it was noticed.")
        if self.now - at > OLDEST:
            raise forms.ValidationError(f"That is more than {OLDEST.days} days ago, which is the most.")
        return min(at, self.now)

    def clean(self) -> dict[str, Any]:
        """Done again from the stage itself, or from one that leads to it."""
        data = super().clean() or self.cleaned_data
        noticed, back_to = data.get("stage"), data.get("to_stage")
        if noticed and back_to and noticed.pk not in affected(noticed.pk, back_to.pk, self._follows()):
            self.add_error(
                "to_stage", f"{back_to} does not lead to {noticed}. Choose a stage that comes before it."
            )
        return data

    def _follows(self) -> dict[int, tuple[int, ...]]:
        stages = list(self.job.stages.prefetch_related("out_edges"))
        links = active_edges(stages, [edge for stage in stages for edge in stage.out_edges.all()])
        return {s.pk: tuple(link.after_id for link in links if link.before_id == s.pk) for s in stages}

    def save(self, user: User) -> str:
        """Record it as a tap; why it was refused, empty if it was not."""
        data = self.cleaned_data
        tap = Tap(
            id=data["id"],
            kind=TapKind.AGAIN,
            stage=data["stage"].pk,
            at=data["at"],
            to_stage=data["to_stage"].pk if data["to_stage"] else None,
            person=data["person"].pk if data["person"] else None,
            cause=data["cause"].pk,
            scrapped=data["scrapped"],
            wasted_m=data["wasted_m"],
            note=data["note"],
        )
        outcome = record_taps(
            shop=self.job.shop, user=user, taps=[tap], sent_at=self.now, received_at=self.now, device="page"
        )
        return outcome.results[0].problem


@dataclass(frozen=True)
class Period:
    """Whole days of the shop's calendar, both included; None: without end on that side."""

    first: date | None
    last: date | None

    def instants(self, shop: Shop) -> tuple[datetime | None, datetime | None]:
        """From which instant on, and before which."""
        since = datetime.combine(self.first, time(), shop.zone) if self.first else None
        until = datetime.combine(self.last + timedelta(days=1), time(), shop.zone) if self.last else None
        return since, until


class PeriodForm(forms.Form):
    """From which day to which."""

    first = forms.DateField(label="From", required=False, widget=forms.DateInput({"type": "date"}))
    last = forms.DateField(label="To", required=False, widget=forms.DateInput({"type": "date"}))

    def clean(self) -> dict[str, Any]:
        """The days in order."""
        data = super().clean() or self.cleaned_data
        first, last = data.get("first"), data.get("last")
        if first and last and first > last:
            self.add_error(
                "last", f"This is before {say_day(first, last)}. Give a later day, or leave it empty."
            )
        if last and last.year > 9000:
            self.add_error("last", "That day is too far ahead.")
        return data


def period_of(query: Any, today: date) -> tuple[Period, PeriodForm, str]:
    """The period that an address asks for, its form, and the preset's key: days, 'all' or empty for typed days.

    Nothing asked, or nothing that makes sense: the last 90 days.
    """
    if "first" in query or "last" in query:
        form = PeriodForm(query)
        if form.is_valid():
            return Period(form.cleaned_data["first"], form.cleaned_data["last"]), form, ""
        return Period(today - timedelta(days=89), None), form, ""
    days = query.get("days", "")
    if days == "all":
        return Period(None, None), PeriodForm(), "all"
    count = int(days) if days in PRESETS else 90
    return Period(today - timedelta(days=count - 1), None), PeriodForm(), str(count)


PRESETS = {"30": "30 days", "90": "90 days", "365": "A year", "all": "All"}
