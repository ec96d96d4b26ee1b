"""The rows of times at which a customer can be visited."""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from typing import TYPE_CHECKING, Any, cast
from zoneinfo import ZoneInfo

from django import forms
from django.forms.formsets import BaseFormSet, formset_factory

from jobs.services.times import MOST_VISITS, Visit
from jobs.wall_clock import instants_of
from shop.models import Shop

DATE = forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"})
TIME = forms.TimeInput(format="%H:%M", attrs={"type": "time"})


def time_input(of: str) -> forms.TimeInput:
    """The field of a time that is labelled 'at' beside its day. of: the day's label, for those who do not see it."""
    return forms.TimeInput(format="%H:%M", attrs={"type": "time", "aria-label": f"{of}, at"})


SKIPPED = "The clocks skip that hour that day. Choose a time after it."


class VisitForm(forms.Form):
    """One time at the customer's, on the shop's clock."""

    day = forms.DateField(label="Date", widget=DATE, error_messages={"required": "Give the date."})
    begins = forms.TimeField(label="From", widget=TIME, error_messages={"required": "Give from when."})
    ends = forms.TimeField(label="To", widget=TIME, error_messages={"required": "Give until when."})

    def __init__(self, *args: Any, zone: ZoneInfo, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.zone = zone

    def clean(self) -> dict[str, Any]:
        """The two instants, UTC."""
        data = super().clean() or self.cleaned_data
        day, begins, ends = (data.get(name) for name in ("day", "begins", "ends"))
        if day is None or begins is None or ends is None:
            return data
        if ends <= begins:
            self.add_error("ends", "It ends before it begins. Make it end later on that day.")
            return data
        for name, at in (("begins", begins), ("ends", ends)):
            if not instants_of(datetime.combine(day, at), self.zone):
                self.add_error(name, SKIPPED)
        return data

    @property
    def window(self) -> Visit:
        """What was typed, cleaned. An hour that comes twice counts whole."""
        data = self.cleaned_data
        return (
            instants_of(datetime.combine(data["day"], data["begins"]), self.zone)[0],
            instants_of(datetime.combine(data["day"], data["ends"]), self.zone)[-1],
        )


if TYPE_CHECKING:
    _Rows = BaseFormSet[VisitForm]
else:
    _Rows = BaseFormSet  # knows no type arguments at run time


class VisitRows(_Rows):
    """Rows of times; a row left blank or ticked for removal does not count."""

    def initial_form_count(self) -> int:
        """None: no row is the database's, so that any of them may be left blank."""
        return 0

    @property
    def windows(self) -> list[Visit]:
        """The times that count, once valid."""
        return [
            form.window
            for form in self.forms
            if form.has_changed() and not form.cleaned_data.get("DELETE") and not form.errors
        ]


VisitFormSet = formset_factory(
    VisitForm,
    formset=VisitRows,
    extra=0,
    max_num=MOST_VISITS,
    absolute_max=MOST_VISITS,
    validate_max=True,
    can_delete=True,
)


def visit_rows(data: Any, *, shop: Shop, initial: list[dict[str, Any]], blank: int = 0) -> VisitRows:
    """The rows: of what was sent, or of `initial` and some blank ones. What was sent without rows has none."""
    make = cast("type[VisitRows]", VisitFormSet)
    if data is not None and "visits-TOTAL_FORMS" not in data:
        data = {"visits-TOTAL_FORMS": "0", "visits-INITIAL_FORMS": "0"}
    rows = make(
        data,
        prefix="visits",
        initial=None if data is not None else initial,
        form_kwargs={"zone": shop.zone},
    )
    rows.extra = len(initial) + blank
    return rows


def visit_initial(shop: Shop, visits: list[Visit]) -> list[dict[str, Any]]:
    """A job's times as rows show them. One over midnight is shown as a row for each day."""
    rows: list[dict[str, Any]] = []
    for start, end in visits:
        first, last = shop.local(start), shop.local(end)
        day = first.date()
        while day <= last.date():
            rows.append(
                {
                    "day": day,
                    "begins": first.time() if day == first.date() else time(),
                    "ends": last.time() if day == last.date() else time(23, 59),
                }
            )
            day = date.fromordinal(day.toordinal() + 1)
    return [row for row in rows if row["ends"] > row["begins"]]


def instant_on(day: date, at: time | None, zone: ZoneInfo) -> datetime | None:
    """The UTC instant of a date and a time on a wall clock; None if it is skipped. No time: the day's beginning."""
    found = instants_of(datetime.combine(day, at or time()), zone)
    if not found and at is None:  # the clocks change at midnight: the day begins at one
        return datetime.combine(day, time(), zone).astimezone(UTC)
    return found[0] if found else None
