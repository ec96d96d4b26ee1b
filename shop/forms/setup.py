"""The later pages of a new shop's set-up: rows of people, machines and films, and the processes it has."""

from __future__ import annotations

from typing import Any

from django import forms
from django.db import transaction
from django.forms.formsets import BaseFormSet, formset_factory

from shop.errors import BadInput
from shop.forms.fields import LengthField, use_units
from shop.models import Machine, MachineKind, Media, Person, Process, Shop, Skill, Unattended, Units
from shop.services.rows import Listed, row_save
from shop.services.shops import processes_choose

TICKS = forms.CheckboxSelectMultiple


class Row(forms.Form):
    """One line to fill in; without a name it is left out. `pk` is that of the row that it changes."""

    model: type[Listed]
    links: tuple[str, ...] = ()

    pk = forms.IntegerField(required=False, widget=forms.HiddenInput())
    name = forms.CharField(required=False, max_length=80)

    def __init__(self, *args: Any, shop: Shop, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.shop = shop
        self.row: Listed | None = None
        use_units(self, shop.units)
        for field in self.fields.values():
            if isinstance(field, forms.ModelMultipleChoiceField) and field.queryset is not None:
                field.queryset = field.queryset.model._default_manager.filter(shop=shop)

    def clean(self) -> dict[str, Any]:
        """The row meant is the shop's, and a row that there is keeps a name."""
        data = super().clean() or self.cleaned_data
        data["name"] = " ".join(data.get("name", "").split())
        if data.get("pk"):
            self.row = self.model.objects.of(self.shop).filter(pk=data["pk"]).first()
            if self.row is None:
                raise forms.ValidationError("This row is no longer there. Load the page again.")
            if not data["name"] and "name" not in self.errors:
                self.add_error("name", "Give a name. What is no longer used can be removed in Shop.")
        return data

    @property
    def filled(self) -> bool:
        """Whether there is anything to save."""
        return bool(self.cleaned_data.get("name"))

    def save(self) -> None:
        """Make or change the row. Raises BadInput where the name is taken."""
        row = self.row or self.model(shop=self.shop)
        for name, value in self.cleaned_data.items():
            if name != "pk" and name not in self.links:
                setattr(row, name, value)
        row_save(row, {name: self.cleaned_data[name] for name in self.links})


class PersonRow(Row):
    """Somebody, and what they do."""

    model = Person
    links = ("skills",)

    skills = forms.ModelMultipleChoiceField(Skill.objects.none(), label="Does", required=False, widget=TICKS)
    field_order = ("name",)


class MachineRow(Row):
    """A machine, whether it runs alone, and by which processes it prints."""

    model = Machine
    links = ("processes",)

    kind = forms.ChoiceField(choices=MachineKind.choices)
    unattended = forms.ChoiceField(label="Runs alone", choices=Unattended.choices)
    processes = forms.ModelMultipleChoiceField(
        Process.objects.none(), label="By (none ticked: any process)", required=False, widget=TICKS
    )


class FilmRow(Row):
    """A film and its width."""

    model = Media

    width_mm = LengthField(label="Roll’s width", required=False, least_mm=1, most_mm=20_000)

    def clean(self) -> dict[str, Any]:
        """A film with a name has a width, in whole millimetres."""
        data = super().clean()
        width = data.get("width_mm")
        if data["name"] and width is None and "width_mm" not in self.errors:
            self.add_error("width_mm", "Give the width of the roll.")
        elif width is not None:
            data["width_mm"] = round(width)
        return data


class Rows(BaseFormSet):  # type: ignore[type-arg]
    """Lines of one kind, saved all or none."""

    def save(self) -> bool:
        """Save those with a name; False where a name is taken, with the reason at that row."""
        row: Row | None = None
        try:
            with transaction.atomic():
                for row in self.forms:
                    if row.filled:
                        row.save()
        except BadInput as bad:
            assert row is not None  # noqa: S101 - only a row raises it
            row.add_error(bad.field or None, bad.message)
            return False
        return True


def _rows(row: type[Row], extra: int) -> type[Rows]:
    made: Any = formset_factory(row, formset=Rows, extra=extra, max_num=40, absolute_max=60)
    return made  # type: ignore[no-any-return]


def person_rows(data: Any, shop: Shop) -> Rows:
    """The shop's people, with room for two more."""
    known = [
        {"pk": person.pk, "name": person.name, "skills": [skill.pk for skill in person.skills.all()]}
        for person in Person.objects.of(shop).filter(active=True).prefetch_related("skills")
    ]
    return _rows(PersonRow, 2)(data, prefix="people", initial=known, form_kwargs={"shop": shop})


def machine_rows(data: Any, shop: Shop) -> Rows:
    """The shop's machines; a new shop is offered what most have."""
    known: list[dict[str, Any]] = [
        {
            "pk": machine.pk,
            "name": machine.name,
            "kind": machine.kind,
            "unattended": machine.unattended,
            "processes": [process.pk for process in machine.processes.all()],
        }
        for machine in Machine.objects.of(shop).filter(active=True).prefetch_related("processes")
    ]
    usual: list[dict[str, Any]] = [
        {"name": "Print-and-cut", "kind": MachineKind.PRINT_AND_CUT, "unattended": Unattended.OPEN_HOURS},
        {"name": "", "kind": MachineKind.LAMINATOR},
        {"name": "Bench", "kind": MachineKind.BENCH},
    ]
    return _rows(MachineRow, 0 if not known else 1)(
        data, prefix="machines", initial=known or usual, form_kwargs={"shop": shop}
    )


def film_rows(data: Any, shop: Shop) -> Rows:
    """The shop's films, with room for two more of the usual width (1370 mm, 54 in)."""
    usual = 1371.6 if shop.units == Units.IMPERIAL else 1370
    known: list[dict[str, Any]] = [
        {"pk": film.pk, "name": film.name, "width_mm": film.width_mm}
        for film in Media.objects.of(shop).filter(active=True)
    ]
    return _rows(FilmRow, 0)(
        data,
        prefix="films",
        initial=known + [{"width_mm": usual}] * 2,
        form_kwargs={"shop": shop},
    )


class ProcessesForm(forms.Form):
    """Which of the stock processes the shop has."""

    processes = forms.ModelMultipleChoiceField(
        Process.objects.none(),
        label="You have",
        widget=TICKS,
        error_messages={"required": "Tick at least one: cutting alone is one too."},
    )

    def __init__(self, data: Any = None, *, shop: Shop) -> None:
        mine = Process.objects.of(shop)
        super().__init__(data, initial={"processes": mine.filter(active=True)})
        self.shop = shop
        field = self.fields["processes"]
        assert isinstance(field, forms.ModelMultipleChoiceField)  # noqa: S101 - tells the type checker
        field.queryset = mine

    def save(self) -> None:
        """Retire the others."""
        processes_choose(self.shop, self.cleaned_data["processes"])
