"""What is to be put right on a job's clock, as it is typed in. Times are the shop's own."""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from typing import Any

from django import forms

from jobs.clock import Event
from jobs.models import Job, Stage, TapKind
from jobs.services.changes import Change, Move, Split, TakeBack
from jobs.services.changes_stops import AddSitting, ForgottenStop, SheetEntry, Vouch
from jobs.services.corrections import LONGEST_REASON
from jobs.sheets import Sheet, read_sheet
from jobs.wall_clock import YEARS, instants_of
from shop.models import Machine, Person, Shop

LOCAL = "%Y-%m-%dT%H:%M:%S"
ENTRY = [LOCAL, "%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M:%S", "%Y-%m-%d %H:%M"]

READINGS = (
    ("continuous", "The watch ran on: each line has what it showed at the element's end"),
    ("flyback", "The watch was set back: each line has how long the element took"),
    ("clock", "The clock on the wall: the first line is when it began"),
)


class LocalTime(forms.DateTimeField):
    """An instant, typed as the shop's clock shows it; `near` is what it was before, or what it is likely to be.

    Of two instants that the clock showed alike, as on the night when it goes back, the one nearer to `near` is meant.
    """

    zone: Any = None
    near: datetime | None = None

    def __init__(self, **more: Any) -> None:
        widget = forms.DateTimeInput({"type": "datetime-local", "step": "1"}, format=LOCAL)
        super().__init__(widget=widget, input_formats=ENTRY, **more)

    def set_shop(self, shop: Shop, near: datetime | None) -> None:
        """Read on this shop's clock."""
        self.zone, self.near = shop.zone, near

    def prepare_value(self, value: Any) -> Any:
        """An instant as the shop's clock shows it."""
        return (
            value.astimezone(self.zone).replace(tzinfo=None)
            if isinstance(value, datetime) and value.tzinfo
            else value
        )

    def clean(self, value: Any) -> datetime | None:
        """The instant in UTC; None where nothing was typed."""
        typed: datetime | None = super().clean(value)
        if typed is None:
            return None
        wall = typed.replace(tzinfo=None)
        check_year(wall.year)
        near = self.near.astimezone(UTC) if self.near else None
        if near and near.astimezone(self.zone).replace(tzinfo=None, microsecond=0, fold=0) == wall:
            return near  # not touched: it keeps its fractions of a second
        found = instants_of(wall, self.zone)
        if not found:
            raise forms.ValidationError(
                "That time was not on the clock that day: it was put forward over it."
            )
        return min(found, key=lambda at: abs(at - near)) if near else found[0]


def check_year(year: int) -> None:
    """Refuse a year in which nothing can have been clocked."""
    if year not in YEARS:
        raise forms.ValidationError(f"{year:04d} cannot be the year. Write all four digits of it, as 2026.")


class CorrectionForm(forms.Form):
    """What all of them ask."""

    reason = forms.CharField(
        label="Why",
        max_length=LONGEST_REASON,
        widget=forms.TextInput({"list": "reasons", "autocomplete": "off"}),
    )
    heading = ""
    hint = ""
    usual = ""  # why it mostly is; stands there to be changed

    def __init__(
        self, data: Any = None, *, job: Job, now: datetime, initial: dict[str, Any] | None = None
    ) -> None:
        super().__init__(data, initial={"reason": self.usual, **(initial or {})})
        self.job, self.now = job, now
        shop = job.shop
        for name, field in self.fields.items():
            if isinstance(field, LocalTime):
                field.set_shop(shop, (initial or {}).get(name))
        choices: dict[str, Any] = {
            "stage": job.stages.filter(left_out=False)
            .select_related("kind", "job__shop")
            .order_by("position", "pk"),
            "to_stage": job.stages.filter(left_out=False).select_related("kind").order_by("position", "pk"),
            "person": Person.objects.of(shop).filter(active=True),
            "machine": Machine.objects.of(shop).filter(active=True),
        }
        for name, rows in choices.items():
            found: Any = self.fields.get(name)
            if found is not None:
                found.queryset = rows
        reason = self.fields.pop("reason")
        self.fields["reason"] = reason  # why comes last

    def change(self) -> Change:
        """What is asked for, once the form is valid."""
        raise NotImplementedError

    def refuse(self, field: str, message: str) -> None:
        """Say what was refused at the field at fault, or at the head of the form."""
        self.add_error(field if field in self.fields else None, message)


def _stage(label: str = "Stage") -> Any:
    return forms.ModelChoiceField(Stage.objects.none(), label=label, empty_label="Choose …")


def _person(none: str) -> Any:
    return forms.ModelChoiceField(Person.objects.none(), label="Person", required=False, empty_label=none)


def _machine() -> Any:
    return forms.ModelChoiceField(Machine.objects.none(), label="Machine", required=False, empty_label="None")


def _key(row: Any) -> int | None:
    return row.pk if row is not None else None


class MoveForm(CorrectionForm):
    """Another time for one event."""

    heading = "Put a time right"
    at = LocalTime(label="It was at")
    until = LocalTime(label="Until")

    def __init__(self, data: Any = None, *, event: Event, **more: Any) -> None:
        more["initial"] = {**(more.get("initial") or {}), "at": event.at, "until": event.until}
        super().__init__(data, **more)
        if event.kind != TapKind.SITTING:
            del self.fields["until"]
        self.event = event

    def change(self) -> Change:
        """Move the event."""
        data = self.cleaned_data
        return Move(self.event.id, data["at"], data.get("until"))


class TakeBackForm(CorrectionForm):
    """One event that never happened."""

    heading = "Take a press back"

    def __init__(self, data: Any = None, *, event: Event, **more: Any) -> None:
        super().__init__(data, **more)
        self.event = event

    def change(self) -> Change:
        """Take the event back."""
        return TakeBack(self.event.id)


class SplitForm(CorrectionForm):
    """One stretch that was really two stages."""

    heading = "Split a stage"
    hint = "When work went on to another stage and nobody pressed."
    stage = _stage("This stage")
    at = LocalTime(label="Went on at")
    to_stage = _stage("To this stage")
    machine = _machine()
    done = forms.BooleanField(label="The first stage was finished then", required=False, initial=True)

    def change(self) -> Change:
        """Split it."""
        data = self.cleaned_data
        return Split(data["stage"], data["at"], data["to_stage"], _key(data["machine"]), data["done"])


class ForgottenForm(CorrectionForm):
    """A stop that nobody pressed."""

    heading = "A stop was forgotten"
    hint = "When somebody stopped and the clock went on."
    usual = "Stop was forgotten"
    stage = _stage()
    person = _person("Nobody: the machine, or the hold, by itself")
    stopped_at = LocalTime(label="Stopped at")
    finished = forms.BooleanField(label="The stage was finished then", required=False)
    machine_too = forms.BooleanField(label="Its machine stopped then too", required=False, initial=True)

    def change(self) -> Change:
        """Stop it then."""
        data = self.cleaned_data
        return ForgottenStop(
            data["stage"], _key(data["person"]), data["stopped_at"], data["finished"], data["machine_too"]
        )


class AddForm(CorrectionForm):
    """Work that was never clocked."""

    heading = "Add what was not clocked"
    hint = "Work that nobody pressed for at all."
    usual = "Not clocked at the time"
    stage = _stage()
    person = _person("Nobody: a machine alone")
    machine = _machine()
    starts = LocalTime(label="From")
    ends = LocalTime(label="To")
    hands_on_min = forms.FloatField(
        label="Hands-on minutes",
        required=False,
        min_value=0,
        help_text="Where somebody was at it only at the beginning. Empty: all the time.",
    )
    finished = forms.BooleanField(label="The stage was finished then", required=False)

    def change(self) -> Change:
        """Add it."""
        data = self.cleaned_data
        return AddSitting(
            data["stage"],
            data["starts"],
            data["ends"],
            _key(data["person"]),
            _key(data["machine"]),
            data["hands_on_min"],
            finished=data["finished"],
        )


class VouchForm(CorrectionForm):
    """What looks odd and is right."""

    heading = "It is right as it is"
    hint = "When a stretch looks odd but was so: it is then learned from."
    stage = _stage()
    until = LocalTime(label="All that was clocked up to")

    def change(self) -> Change:
        """Vouch for it."""
        return Vouch(self.cleaned_data["stage"], self.cleaned_data["until"])


class SheetForm(CorrectionForm):
    """A timed sheet."""

    heading = "Type up a timed sheet"
    hint = "When somebody timed the work by hand, element by element."
    usual = "From a timed sheet"
    stage = _stage()
    person = _person("Nobody: a machine alone")
    machine = _machine()
    reading = forms.ChoiceField(
        label="What was read", choices=READINGS, initial="continuous", widget=forms.RadioSelect
    )
    day = forms.DateField(label="Day", widget=forms.DateInput({"type": "date"}, format="%Y-%m-%d"))
    begins = forms.TimeField(
        label="Began at",
        required=False,
        widget=forms.TimeInput({"type": "time", "step": "1"}, format="%H:%M:%S"),
        help_text="With clock times it may stand in the first line instead.",
    )
    text = forms.CharField(
        label="The sheet",
        strip=False,
        max_length=20_000,
        widget=forms.Textarea(
            {"rows": 10, "spellcheck": "false", "autocapitalize": "off", "class": "sheet-text"}
        ),
        help_text="A line for each element: its name, two spaces, a comma or a tab, and the reading as mm:ss, "
        "h:mm:ss or minutes. What follows a # is a note.",
    )
    finished = forms.BooleanField(label="The stage was finished with the last line", required=False)

    def clean_day(self) -> date:
        """A day on which something can have been timed."""
        day: date = self.cleaned_data["day"]
        check_year(day.year)
        return day

    def clean(self) -> dict[str, Any]:
        """Read the sheet; each wrong line is said at the sheet."""
        data = super().clean() or self.cleaned_data
        self.sheet = Sheet()
        if all(data.get(name) is not None for name in ("day", "text", "reading")):
            begins = self._begins(data["day"], data.get("begins"))
            if "begins" not in self.errors:
                self.sheet = read_sheet(
                    data["text"], data["reading"], data["day"], begins, self.job.shop.zone
                )
        for error in self.sheet.errors:
            self.add_error("text", str(error))
        return data

    def _begins(self, day: date, at: time | None) -> datetime | None:
        if at is None:
            return None
        found = instants_of(datetime.combine(day, at), self.job.shop.zone)
        if not found:
            self.add_error("begins", "That time was not on the clock that day: it was put forward over it.")
            return None
        return found[0]

    def change(self) -> Change:
        """Record its sittings."""
        data = self.cleaned_data
        people = (_key(data["person"]), _key(data["machine"]))
        return SheetEntry(data["stage"], self.sheet.elements, *people, finished=data["finished"])


FORMS: dict[str, type[CorrectionForm]] = {
    "forgotten": ForgottenForm,
    "split": SplitForm,
    "add": AddForm,
    "right": VouchForm,
    "sheet": SheetForm,
}
"""Those that are about a stage, by the last part of their address."""

EVENT_FORMS: dict[str, Any] = {"move": MoveForm, "take-back": TakeBackForm}
"""Those that are about one event."""
