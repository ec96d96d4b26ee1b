"""An enquiry: what somebody asks for, and by what process it would be made."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime
from typing import Any, cast

from django import forms
from django.db.models import Q, QuerySet
from django.http import HttpRequest, QueryDict

from jobs.drivers import ItemSize
from jobs.forms.drivers import NOT_ASKED, driver_field
from jobs.forms.fields import say_minutes
from jobs.forms.items import ItemRows, item_rows
from jobs.forms.visits import DATE, SKIPPED, VisitRows, instant_on, time_input, visit_initial, visit_rows
from jobs.models import Customer, Driver, Item, Job, JobType, Needed, RouteStage, StageKind
from jobs.selectors.jobs import film_widths
from jobs.services.jobs import job_create, job_update
from jobs.services.times import Times, times_of
from shop.errors import BadInput
from shop.models import Finish, InkBuild, Media, Process, Shop, ShopOwned


class EnquiryForm(forms.Form):
    """A new enquiry, or (job given) a job's facts to be changed; `items` are its rows of graphics, `visits` of times.

    `submitted` says whether it was sent to be saved: pressing 'add a row' or 'split' only shows the form again.
    """

    job_type = forms.ModelChoiceField(
        JobType.objects.none(),
        empty_label="Choose …",
        error_messages={"required": "Choose the job type: it says which stages the job goes through."},
    )
    customer = forms.CharField(
        required=False,
        max_length=120,
        widget=forms.TextInput(attrs={"list": "customers", "autocomplete": "off"}),
    )
    title = forms.CharField(
        max_length=160, error_messages={"required": "Give the job a title, as “Van, two sides”."}
    )
    process = forms.ModelChoiceField(
        Process.objects.none(),
        empty_label=None,
        error_messages={"required": "Choose how it is made. The shop's processes are listed here."},
    )
    finish = forms.ModelChoiceField(
        Finish.objects.none(), required=False, empty_label="As the process allows"
    )
    film = forms.ModelChoiceField(
        Media.objects.none(), required=False, label="Film", empty_label="Any that it fits on"
    )
    ready_date = forms.DateField(
        required=False,
        label="Ready from",
        widget=DATE,
        help_text="When the artwork or the go-ahead comes. Empty: now.",
    )
    ready_time = forms.TimeField(required=False, label="at", widget=time_input("Ready from"))
    film_date = forms.DateField(
        required=False,
        label="Film arrives",
        widget=DATE,
        help_text="Empty: it is there. Artwork may begin before.",
    )
    film_time = forms.TimeField(required=False, label="at", widget=time_input("Film arrives"))
    requested = forms.MultipleChoiceField(
        required=False, label="Also needed", widget=forms.CheckboxSelectMultiple
    )
    notes = forms.CharField(required=False, max_length=4000, widget=forms.Textarea(attrs={"rows": 3}))

    def __init__(
        self, data: QueryDict | None = None, *, shop: Shop, job: Job | None = None, redisplay: bool = False
    ) -> None:
        initial = _initial(shop, job) if job else {}
        rows = [_row(item) for item in job.items.all()] if job else []
        times = visit_initial(shop, list(times_of(job).visits)) if job else []
        if data is not None and redisplay:
            initial, rows, times = _typed(data)
        self.submitted = data is not None and not redisplay
        super().__init__(data if self.submitted else None, initial=initial, auto_id="id_%s")
        self.shop, self.job = shop, job
        self._offer_choices()
        self.driver_names = self._add_driver_fields()
        self.items: ItemRows = item_rows(
            data if self.submitted else None, shop=shop, initial=rows, blank=0 if redisplay else 1
        )
        self.visits: VisitRows = visit_rows(data if self.submitted else None, shop=shop, initial=times)

    @classmethod
    def of_request(cls, request: HttpRequest, shop: Shop, job: Job | None = None) -> EnquiryForm:
        """The form of a page's request, with a row more or an item split where that was pressed."""
        if request.method != "POST":
            return cls(shop=shop, job=job)
        for button, prefix in (("add_row", "items"), ("add_visit", "visits")):
            if button in request.POST:
                return cls(_with_blank_row(request.POST, prefix), shop=shop, job=job, redisplay=True)
        if "split" in request.POST:
            return cls(_with_split(request.POST, shop, job), shop=shop, job=job, redisplay=True)
        return cls(request.POST, shop=shop, job=job)

    def is_valid(self) -> bool:
        """Whether it was sent to be saved and nothing is wrong, its rows included."""
        return self.submitted and all(
            [super().is_valid(), self.items.is_valid(), self.visits.is_valid(), self._rows_fit()]
        )

    def save(self) -> Job | None:
        """Make or change the job. None where the shop refused: what and why is then at the field."""
        data = self.cleaned_data
        facts = {
            "title": data["title"],
            "customer_name": data["customer"],
            "process": data["process"],
            "finish": data["finish"],
            "media": data["film"],
            "items": self._sizes(),
            "drivers": self._drivers(),
            "ready_from": data["ready_from"],
            "times": Times(data["film_from"], self.visits.windows),
            "notes": data["notes"],
            "requested": data["requested"],
        }
        try:
            if self.job:
                return job_update(self.job, **facts)
            return job_create(shop=self.shop, job_type=data["job_type"], **facts)
        except BadInput as bad:
            self._refuse(bad)
            return None

    def clean(self) -> dict[str, Any]:
        """Put the dates and the times together, and settle the finish."""
        data = super().clean() or self.cleaned_data
        data["ready_from"], data["film_from"] = self._instant("ready"), self._instant("film")
        process, finish = data.get("process"), data.get("finish")
        if process and not (self.errors.get("finish")):
            allowed = list(process.finishes.all())
            names = ", ".join(one.name for one in allowed) or "none"
            if finish and finish not in allowed:
                self.add_error(
                    "finish", f"{process.name} does not go with {finish.name}. Choose of: {names}."
                )
            elif finish is None and len(allowed) > 1:
                self.add_error("finish", f"Choose the finish. With {process.name}: {names}.")
            elif finish is None and allowed:
                data["finish"] = allowed[0]
        return data

    @property
    def process_choices(self) -> list[tuple[Process, bool, str, str]]:
        """Each process, whether it is chosen, the keys of its finishes by commas, and its hold in words."""
        chosen = str(self["process"].value() or "")
        return [
            (
                one,
                str(one.pk) == chosen,
                ",".join(str(finish.pk) for finish in one.finishes.all()),
                say_minutes(one.hold_min) if one.prints else "",
            )
            for one in self._in_use(Process, self.job.process_id if self.job else None).prefetch_related(
                "finishes"
            )
        ]

    @property
    def driver_fields(self) -> list[forms.BoundField]:
        """The fields of the quantities that items do not give."""
        return [self[name] for name in self.driver_names]

    @property
    def customers(self) -> Iterable[str]:
        """Names to be offered while the customer's is typed."""
        return Customer.objects.of(self.shop).values_list("name", flat=True)

    def _offer_choices(self) -> None:
        """Offer what is in use, and what the job itself has."""
        job = self.job
        self._choice("job_type").queryset = self._in_use(JobType, None)
        self._choice("process").queryset = self._in_use(Process, job.process_id if job else None)
        self._choice("film").queryset = self._in_use(Media, job.media_id if job else None)
        self._choice("finish").queryset = Finish.objects.of(self.shop)
        if job:
            del self.fields["job_type"]  # a job keeps its own copy of its route
            self.fields["process"].required = job.process_id is not None
        requested = cast(forms.MultipleChoiceField, self.fields["requested"])
        requested.choices = [(kind.key, kind.name) for kind in _on_request(self.shop, job)]

    def _choice(self, name: str) -> forms.ModelChoiceField[Any]:
        return cast("forms.ModelChoiceField[Any]", self.fields[name])

    def _in_use(self, model: type[ShopOwned], own: int | None) -> QuerySet[Any]:
        """The shop's active rows, and the one that the job has."""
        return model.objects.of(self.shop).filter(Q(("active", True)) | Q(pk=own or 0))

    def _add_driver_fields(self) -> list[str]:
        names = []
        for driver in Driver.objects.of(self.shop).exclude(key__in=NOT_ASKED):
            name = f"driver-{driver.key}"
            self.fields[name] = driver_field(
                driver, self.shop, self.job.drivers.get(driver.key) if self.job else None
            )
            names.append(name)
        return names

    def _instant(self, name: str) -> datetime | None:
        """The instant of a date and a time on the shop's clock, UTC; without a time the day's beginning."""
        day, at = (self.cleaned_data.get(f"{name}_{part}") for part in ("date", "time"))
        if day is None:
            if at is not None:
                self.add_error(f"{name}_date", "Give the date too, or clear the time.")
            return None
        instant = instant_on(day, at, self.shop.zone)
        if instant is None:
            self.add_error(f"{name}_time", SKIPPED)
        return instant

    def _rows_fit(self) -> bool:
        """Whether the rows have sizes that fit the film; there is at least one, but of an imported job."""
        if self.items.errors and any(self.items.errors):
            return False
        if not self.items.kept and (self.job is None or self.job.items.exists()):
            self.add_error(None, "Add at least one item with its width, height and count.")
            return False
        process, media = self.cleaned_data.get("process"), self.cleaned_data.get("film")
        self.items.check_widths(self.shop, *film_widths(self.shop, process, media))
        return not any(form.errors for form in self.items.forms)

    def _sizes(self) -> list[ItemSize]:
        process = self.cleaned_data["process"]
        dry = process is not None and not process.prints
        sizes = [form.size for _, form in self.items.kept]
        return [_without_ink(size) for size in sizes] if dry else sizes

    def _drivers(self) -> dict[str, float | str]:
        """The job's drivers: what is asked for here, over what it had from elsewhere."""
        drivers = dict(self.job.drivers) if self.job else {}
        for name in self.driver_names:
            key, value = name.removeprefix("driver-"), self.cleaned_data[name]
            drivers.pop(key, None)
            if value not in (None, ""):
                drivers[key] = value
        return drivers

    def _refuse(self, bad: BadInput) -> None:
        name = bad.field.replace("drivers.", "driver-")
        name = {"customer_name": "customer", "film_from": "film_date"}.get(name, name)
        self.add_error(name if name in self.fields else None, bad.message)


def _on_request(shop: Shop, job: Job | None) -> list[StageKind]:
    routes = RouteStage.objects.of(shop).filter(needed=Needed.ON_REQUEST)
    routes = routes.filter(job_type=job.job_type_id) if job else routes.filter(job_type__active=True)
    return list(StageKind.objects.of(shop).filter(pk__in=routes.values("kind")))


def _initial(shop: Shop, job: Job) -> dict[str, Any]:
    ready, film = (shop.local(at) if at else None for at in (job.ready_from, job.film_from))
    taken = job.stages.filter(left_out=False, kind__in=_on_request(shop, job))
    return {
        "customer": job.customer.name if job.customer else "",
        "title": job.title,
        "process": job.process_id,
        "finish": job.finish_id,
        "film": job.media_id,
        "ready_date": ready.date() if ready else None,
        "ready_time": ready.time() if ready else None,
        "film_date": film.date() if film else None,
        "film_time": film.time() if film else None,
        "requested": list(taken.values_list("kind__key", flat=True)),
        "notes": job.notes,
        **{f"driver-{key}": value for key, value in job.drivers.items()},
    }


def _row(item: Item) -> dict[str, Any]:
    names = ("name", "width_mm", "height_mm", "count", "cut_m", "letter_mm", "ink_build")
    return {name: getattr(item, name) for name in names}


def _typed(data: QueryDict) -> tuple[dict[str, Any], list[dict[str, Any]], list[dict[str, Any]]]:
    """What was typed, to be shown again unchecked: the form's own fields, and a dict for each row of either sort."""
    own: dict[str, Any] = {key: data.get(key) for key in data if not key.startswith(("items-", "visits-"))}
    own["requested"] = data.getlist("requested")
    return own, _rows_typed(data, "items"), _rows_typed(data, "visits")


def _rows_typed(data: QueryDict, prefix: str) -> list[dict[str, Any]]:
    starts = [f"{prefix}-{i}-" for i in range(_row_count(data, prefix))]
    return [
        {key.removeprefix(start): data.get(key) for key in data if key.startswith(start)} for start in starts
    ]


def _row_count(data: QueryDict, prefix: str) -> int:
    text = data.get(f"{prefix}-TOTAL_FORMS", "0") or "0"
    return min(int(text), 200) if text.isdecimal() else 0


def _with_blank_row(data: QueryDict, prefix: str) -> QueryDict:
    more = data.copy()
    more[f"{prefix}-TOTAL_FORMS"] = str(_row_count(data, prefix) + 1)
    return more


def _with_split(data: QueryDict, shop: Shop, job: Job | None) -> QueryDict:
    """The rows with the item of that index as panels, where it has panels to offer."""
    form = EnquiryForm(data, shop=shop, job=job)
    form.is_valid()
    index = data.get("split", "")
    rows = form.items.forms
    split = rows[int(index)].split if index.isdecimal() and int(index) < len(rows) else None
    if split is None:
        return data
    more = data.copy()
    row = rows[int(index)]
    for name in ("name", "width_mm", "height_mm", "count", "cut_m"):
        value = row.fields[name].prepare_value(getattr(split, name))
        more[f"items-{index}-{name}"] = "" if value is None else str(value)
    return more


def _without_ink(size: ItemSize) -> ItemSize:
    return replace(size, ink_build=InkBuild.NONE)
