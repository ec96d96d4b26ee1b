"""A recipe as it is typed in, and the filter of the recipes' page."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django import forms

from jobs.models import Job
from jobs.selectors.recipes import WITH_RECIPES
from jobs.services.recipes import Settings, recipe_record
from jobs.words.recipes import heat_from_c, heat_to_c, heat_unit
from shop.errors import BadInput
from shop.forms.fields import ListedInput
from shop.models import InkBuild, Machine, Media, Person, Recipe, RecipeOutcome, Shop, User

SETTINGS = ("force_gf", "blade", "passes", "speed_mm_s", "heat", "print_mode")
_WHOLE = {"inputmode": "numeric"}
CHOOSE = "Choose …"


class RecipeForm(forms.Form):
    """Settings, what they were for, and how they did."""

    film = forms.ModelChoiceField(Media.objects.none(), label="Film", empty_label=CHOOSE)
    ink_build = forms.ChoiceField(
        label="What is printed on it", choices=InkBuild.choices, initial=InkBuild.COLOUR
    )
    machine = forms.ModelChoiceField(Machine.objects.none(), empty_label=CHOOSE)
    force_gf = forms.IntegerField(label="Cutting force, gf", required=False, widget=forms.NumberInput(_WHOLE))
    blade = forms.CharField(required=False, max_length=60, help_text="As 45°, new.")
    passes = forms.IntegerField(required=False, widget=forms.NumberInput(_WHOLE))
    speed_mm_s = forms.IntegerField(
        label="Cutting speed, mm/s", required=False, widget=forms.NumberInput(_WHOLE)
    )
    heat = forms.FloatField(required=False, help_text="Of the print heater or the laminating roller.")
    print_mode = forms.CharField(required=False, max_length=60)
    outcome = forms.ChoiceField(
        label="How it did",
        choices=RecipeOutcome.choices,
        initial=RecipeOutcome.WORKED,
        widget=forms.RadioSelect,
    )
    note = forms.CharField(required=False, max_length=200, widget=forms.Textarea({"rows": 2}))
    job_number = forms.IntegerField(
        label="Tried on job", required=False, min_value=1, max_value=2_000_000_000
    )

    def __init__(self, data: Any = None, *, shop: Shop, initial: dict[str, Any] | None = None) -> None:
        super().__init__(data, initial=initial)
        self.shop = shop
        self.fields["heat"].label = f"Heat, {heat_unit(shop.units)}"
        _rows(self, "film").queryset = Media.objects.of(shop).filter(active=True)
        _rows(self, "machine").queryset = Machine.objects.of(shop).filter(active=True, kind__in=WITH_RECIPES)
        blades = Recipe.objects.of(shop).exclude(blade="").order_by("blade").values_list("blade", flat=True)
        modes = Recipe.objects.of(shop).exclude(print_mode="").order_by("print_mode")
        self.fields["blade"].widget = ListedInput(list(blades.distinct())[:50], {"maxlength": 60})
        self.fields["print_mode"].widget = ListedInput(
            list(modes.values_list("print_mode", flat=True).distinct())[:50], {"maxlength": 60}
        )

    @property
    def what_for(self) -> list[forms.BoundField]:
        """The fields of what the settings are for."""
        return [self[name] for name in ("film", "ink_build", "machine")]

    @property
    def settings(self) -> list[forms.BoundField]:
        """The fields of the settings themselves."""
        return [self[name] for name in SETTINGS]

    @property
    def how(self) -> list[forms.BoundField]:
        """The fields of how they did."""
        return [self[name] for name in ("outcome", "note", "job_number")]

    def clean_job_number(self) -> int | None:
        """A job of the shop."""
        number: int | None = self.cleaned_data["job_number"]
        if number and not Job.objects.of(self.shop).filter(number=number).exists():
            raise forms.ValidationError(f"There is no job {number}. Leave it empty, or look its number up.")
        return number

    def save(self, *, user: User, person: Person | None, at: datetime) -> Recipe | None:
        """Keep it; None where the shop refused, with the reason at the field."""
        data = dict(self.cleaned_data)
        heat, media = data.pop("heat"), data.pop("film")
        settings = Settings(
            heat_c=None if heat is None else round(heat_to_c(heat, self.shop.units)),
            **{name: data.pop(name) for name in SETTINGS if name != "heat"},
        )
        try:
            return recipe_record(
                self.shop, media=media, settings=settings, person=person, user=user, at=at, **data
            )
        except BadInput as bad:
            self.add_error("heat" if bad.field == "heat_c" else bad.field or None, bad.message)
            return None


def initial_of(recipe: Recipe, job_number: int | None = None) -> dict[str, Any]:
    """A recipe's fields for the form: to be used again, or changed and tried."""
    names = ("ink_build", "machine", "force_gf", "blade", "passes", "speed_mm_s", "print_mode")
    units = recipe.shop.units
    heat = None if recipe.heat_c is None else round(heat_from_c(recipe.heat_c, units))
    known = {name: getattr(recipe, name) for name in names}
    return {**known, "film": recipe.media, "heat": heat, "job_number": job_number}


class RecipeFilter(forms.Form):
    """What the recipes' page is narrowed to; a choice that is none narrows nothing."""

    q = forms.CharField(
        label="Find", required=False, max_length=100, widget=forms.TextInput({"type": "search"})
    )
    film = forms.ModelChoiceField(Media.objects.none(), label="Film", required=False, empty_label="Any")
    ink_build = forms.ChoiceField(label="Ink", required=False, choices=[("", "Any"), *InkBuild.choices])
    machine = forms.ModelChoiceField(Machine.objects.none(), required=False, empty_label="Any")
    outcome = forms.ChoiceField(required=False, choices=[("", "Any"), *RecipeOutcome.choices])
    retired = forms.BooleanField(label="Those no longer used", required=False)

    def __init__(self, data: Any = None, *, shop: Shop) -> None:
        super().__init__(data)
        _rows(self, "film").queryset = Media.objects.of(shop)
        _rows(self, "machine").queryset = Machine.objects.of(shop).filter(kind__in=WITH_RECIPES)

    @property
    def choices(self) -> list[forms.BoundField]:
        """The fields to choose in."""
        return [self[name] for name in ("film", "ink_build", "machine", "outcome")]

    def asked(self) -> dict[str, Any]:
        """The words and keys for `recipe_search`."""
        self.is_valid()
        data = self.cleaned_data
        known = {n: data[n] for n in ("q", "ink_build", "outcome", "retired") if data.get(n)}
        keys = {key: data[n].pk for key, n in (("media", "film"), ("machine", "machine")) if data.get(n)}
        return {**known, **keys}


def _rows(form: forms.Form, name: str) -> Any:
    return form.fields[name]
