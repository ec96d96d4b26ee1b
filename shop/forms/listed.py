"""The rows that a shop lists, as they are typed in: people, skills, machines, processes, finishes, films."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django import forms

from shop.errors import BadInput
from shop.forms.fields import LengthField, PerAreaField, use_units
from shop.models import Finish, Machine, Media, Person, Process, Shop, ShopOwned, Skill, Unattended, User
from shop.services.rows import Listed, row_save
from shop.units import say_length, say_long_length

MOST_HOLD_HOURS = 24 * 14
MOST_COOLING_MIN = 24 * 60
TICKS = forms.CheckboxSelectMultiple


class ListedForm(forms.ModelForm):  # type: ignore[type-arg]
    """A form of one row of a shop. Choices are the shop's own; lengths and areas are in its units."""

    def __init__(
        self, data: Any = None, *, shop: Shop, row: Listed | None = None, prefix: str | None = None
    ) -> None:
        model = self._meta.model
        super().__init__(data, instance=row or model(shop=shop), prefix=prefix)
        self.shop = shop
        use_units(self, shop.units)
        for field in self.fields.values():
            if isinstance(field, forms.ModelChoiceField) and field.queryset is not None:
                field.queryset = self.choices_of(field.queryset.model)
                if field.empty_label and not field.required:
                    field.empty_label = "None"

    def choices_of(self, model: Any) -> Any:
        """The rows of another kind that may be chosen: the shop's, in use or chosen already."""
        if not issubclass(model, ShopOwned):
            return model.objects.none()
        rows = model.objects.of(self.shop)
        return rows.filter(active=True) if issubclass(model, Person | Machine | Media | Process) else rows

    def clean(self) -> dict[str, Any]:
        """Numbers that were shown rounded and left alone keep their exact value."""
        data = super().clean() or self.cleaned_data
        for name, field in self.fields.items():
            untouched = self.instance.pk and name not in self.changed_data and name in self.initial
            if isinstance(field, LengthField | PerAreaField) and untouched:
                data[name] = self.initial[name]
        if "name" in data:
            data["name"] = " ".join(data["name"].split())
        return data

    def save(self, commit: bool = True) -> Any:
        """Make or change the row with its links; None where the shop refused, with the reason at the field."""
        many = {field.name for field in self.instance._meta.many_to_many}
        links = {name: self.cleaned_data[name] for name in many & set(self.cleaned_data)}
        try:
            row_save(self.instance, links)
        except BadInput as bad:
            self.add_error(bad.field or None, bad.message)
            return None
        return self.instance


class PersonForm(ListedForm):
    """Somebody who works there, what they can do, and their log-in."""

    class Meta:
        model = Person
        fields = ["name", "skills", "user"]
        widgets = {"skills": TICKS}
        labels = {"user": "Log-in"}
        help_texts = {
            "skills": "Work is planned only for those who can do it.",
            "user": "The floor page then knows who is tapping.",
        }

    def choices_of(self, model: Any) -> Any:
        """Log-ins: the shop's that belong to nobody else."""
        if model is User:
            taken = Person.objects.filter(user__isnull=False).exclude(pk=self.instance.pk).values("user")
            people = User.objects.filter(membership__shop=self.shop, device=None)
            return people.exclude(pk__in=taken)
        return super().choices_of(model)


class SkillForm(ListedForm):
    """Something that a person can do."""

    class Meta:
        model = Skill
        fields = ["name"]


class MachineForm(ListedForm):
    """A machine or a bench."""

    max_width_mm = LengthField(
        label="Widest film",
        required=False,
        least_mm=1,
        most_mm=20_000,
        help_text="Wider films are not offered for it.",
    )

    class Meta:
        model = Machine
        fields = [
            "name",
            "kind",
            "capacity",
            "unattended",
            "processes",
            "max_width_mm",
            "loaded_media",
            "cool_down_min",
        ]
        widgets = {"processes": TICKS}
        labels = {
            "capacity": "Stages at a time",
            "unattended": "Runs alone",
            "loaded_media": "Film on it now",
            "cool_down_min": "Cools before it cuts, minutes",
        }
        help_texts = {
            "capacity": "One for a machine; for benches, how many there are.",
            "unattended": "Whether it may run with nobody beside it.",
            "processes": "For printers and cutters: none ticked means any.",
            "loaded_media": "Until a print is clocked on it; then it is that job’s film.",
            "cool_down_min": "For a machine that prints and cuts: how long it waits after a print. 0: not at all.",
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        film = self.fields["loaded_media"]
        assert isinstance(film, forms.ModelChoiceField)  # noqa: S101 - tells the type checker
        film.empty_label = "None, or not known"
        self.fields["cool_down_min"].required = False

    def clean_cool_down_min(self) -> int:
        """At most a day; nothing typed is none."""
        minutes: int = self.cleaned_data["cool_down_min"] or 0
        if minutes > MOST_COOLING_MIN:
            raise forms.ValidationError(f"Give at most {MOST_COOLING_MIN} minutes, which is a day.")
        return minutes

    def clean_max_width_mm(self) -> int | None:
        """Whole millimetres."""
        width = self.cleaned_data["max_width_mm"]
        return None if width is None else round(width)


class ProcessForm(ListedForm):
    """A way of getting ink on."""

    hold_hours = forms.FloatField(
        label="Hold, hours",
        required=False,
        min_value=0,
        max_value=MOST_HOLD_HOURS,
        help_text="How long a print lies before it is laminated or cut, nights and weekends included. Solvent: 24 "
        "or more, as the film’s maker says.",
    )
    ink_ml_per_m2 = PerAreaField(label="Ink for one layer, ml", required=False, digits=3)

    class Meta:
        model = Process
        fields = [
            "name",
            "kind",
            "hold_hours",
            "finishes",
            "unsuited_to",
            "ink_ml_per_m2",
            "ink_price_per_litre",
        ]
        widgets = {"finishes": TICKS}
        labels = {"unsuited_to": "Not suited to"}
        help_texts = {
            "finishes": "What can be done to its prints.",
            "unsuited_to": "Said where this process is chosen.",
            "ink_ml_per_m2": "",
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.initial["hold_hours"] = f"{self.instance.hold_min / 60:.4g}"
        price = self.fields["ink_price_per_litre"]
        price.label, price.required = f"A litre of ink costs, {self.shop.currency}", False

    def clean_ink_price_per_litre(self) -> Any:
        """Nothing typed is nothing."""
        return self._not_negative("ink_price_per_litre")

    def _not_negative(self, name: str) -> Any:
        value = self.cleaned_data[name] or 0
        if value < 0:
            raise forms.ValidationError("This cannot be below nothing. Write 0 where you do not know.")
        return value

    def clean(self) -> dict[str, Any]:
        """The hold in minutes."""
        data = super().clean()
        if "hold_hours" in data:
            self.instance.hold_min = round((data["hold_hours"] or 0) * 60)
        return data


class FinishForm(ListedForm):
    """What is done to a print."""

    price_per_m2 = PerAreaField(label="Costs", required=False)

    class Meta:
        model = Finish
        fields = ["name", "laminates", "price_per_m2"]
        labels = {"laminates": "It is laminated on, which is a stage of its own"}


class MediaForm(ListedForm):
    """A film as it is bought."""

    width_mm = LengthField(label="Roll’s width", least_mm=1, most_mm=20_000)
    roll_length_m = LengthField(label="Roll’s length", per=1000, least_mm=100, most_mm=2_000_000)
    price_per_m2 = PerAreaField(label="Costs", required=False)

    class Meta:
        model = Media
        fields = ["name", "width_mm", "roll_length_m", "price_per_m2"]

    def clean_width_mm(self) -> int:
        """Whole millimetres."""
        width: float = self.cleaned_data["width_mm"]
        return round(width)


def posted_fields(form: forms.BaseForm) -> list[tuple[str, str]]:
    """What a browser would send for a form as it is shown: names and values."""
    sent: list[tuple[str, str]] = []
    for bound in form:
        value = bound.value()
        values = value if isinstance(value, list | tuple) else [value]
        if isinstance(bound.field.widget, forms.CheckboxInput):
            values = ["on"] if value else []
        for one in values:
            sent.append((bound.html_name, "" if one is None else str(getattr(one, "pk", one))))
    return sent


Describe = Callable[[Any, Shop], str]


def say_person(row: Person, shop: Shop) -> str:
    """What somebody does, and their log-in."""
    does = ", ".join(skill.name for skill in row.skills.all()) or "No skills ticked: planned for anything"
    return f"{does}. Log-in: {row.user}" if row.user else does


def say_machine(row: Machine, shop: Shop) -> str:
    """A machine's kind, how many stages it takes, and how it runs."""
    parts = [row.get_kind_display()]
    if row.capacity > 1:
        parts.append(f"{row.capacity} stages at a time")
    if row.unattended != Unattended.NO:
        alone = (
            "runs alone while the shop is open"
            if row.unattended == Unattended.OPEN_HOURS
            else "runs alone always"
        )
        parts.append(alone)
    parts.extend(process.name for process in row.processes.all())
    if row.max_width_mm:
        parts.append(f"up to {say_length(row.max_width_mm, shop.units)} wide")
    if row.cool_down_min:
        parts.append(f"cools {row.cool_down_min} min before it cuts")
    return ", ".join(parts)


def say_process(row: Process, shop: Shop) -> str:
    """A process's hold and finishes."""
    hold = f"Lies {row.hold_min / 60:g} h before it is laminated or cut" if row.hold_min else "No hold"
    finishes = ", ".join(finish.name for finish in row.finishes.all())
    return f"{hold}. {finishes}" if finishes else hold


def say_finish(row: Finish, shop: Shop) -> str:
    """Whether a finish is laminated on."""
    return "Laminated on" if row.laminates else "Nothing is laid over the print"


def say_media(row: Media, shop: Shop) -> str:
    """A film's size."""
    return f"{say_length(row.width_mm, shop.units)} wide, {say_long_length(row.roll_length_m, shop.units)} on a roll"


def say_skill(row: Skill, shop: Shop) -> str:
    """Who has it."""
    return ", ".join(person.name for person in row.people.all() if person.active) or "Nobody has it yet"
