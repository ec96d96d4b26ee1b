"""The rows of graphics in an enquiry."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

from django import forms
from django.forms.formsets import BaseFormSet, formset_factory

from jobs.drivers import ItemSize, check_item, panels, widest
from jobs.forms.fields import say_length
from shop.errors import BadInput
from shop.forms.fields import LengthField
from shop.models import InkBuild, Shop
from shop.units import length_unit

MOST_ROWS = 200


class ItemForm(forms.Form):
    """One graphic. Sizes are typed in the shop's unit and cleaned to mm; the cut path to m."""

    name = forms.CharField(required=False, max_length=120)
    width_mm = LengthField(label="Width", error_messages={"required": "Give its width."})
    height_mm = LengthField(label="Height", error_messages={"required": "Give its height."})
    count = forms.IntegerField(
        initial=1,
        widget=forms.NumberInput(attrs={"inputmode": "numeric"}),
        error_messages={
            "required": "Give how many, 1 or more.",
            "invalid": "Give a whole number, 1 or more.",
        },
    )
    cut_m = LengthField(label="Cut path of one", required=False, per=1000.0)
    letter_mm = LengthField(label="Letter height", required=False)
    ink_build = forms.ChoiceField(label="Ink", choices=InkBuild.choices, initial=InkBuild.COLOUR)

    split: ItemSize | None = None  # the panels that would do, for an item wider than any roll

    def __init__(self, *args: Any, units: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name, long in (("width_mm", False), ("height_mm", False), ("cut_m", True), ("letter_mm", False)):
            field = self.fields[name]
            assert isinstance(field, LengthField)  # noqa: S101 - tells the type checker
            field.unit = length_unit(units, long=long)
            field.label = f"{field.label}, {field.unit}"

    @property
    def split_width(self) -> str:
        """How wide one of the panels offered would be, in words."""
        width = self.fields["width_mm"]
        return (
            say_length(self.split.width_mm, width.unit)
            if self.split and isinstance(width, LengthField)
            else ""
        )

    @property
    def size(self) -> ItemSize:
        """What was typed, cleaned."""
        data = self.cleaned_data
        return ItemSize(
            width_mm=data["width_mm"],
            height_mm=data["height_mm"],
            count=data["count"],
            name=data["name"],
            cut_m=data["cut_m"],
            ink_build=data["ink_build"],
            letter_mm=data["letter_mm"],
        )


if TYPE_CHECKING:
    _Rows = BaseFormSet[ItemForm]
else:
    _Rows = BaseFormSet  # knows no type arguments at run time


class ItemRows(_Rows):
    """Rows of items; a row left blank or ticked for removal does not count."""

    def initial_form_count(self) -> int:
        """None: no row is the database's, so that any of them may be left blank."""
        return 0

    @property
    def kept(self) -> list[tuple[int, ItemForm]]:
        """Index and form of each row that counts, once valid."""
        return [
            (i, form)
            for i, form in enumerate(self.forms)
            if form.has_changed() and not form.cleaned_data.get("DELETE") and not form.errors
        ]

    def check_widths(self, shop: Shop, media_widths: list[int], machine_widths: list[int]) -> None:
        """Put at its field what makes no sense of a row, and offer panels for one that is too wide."""
        unit = length_unit(shop.units)
        for index, form in self.kept:
            size = form.size
            try:
                check_item(index, size, media_widths, machine_widths, show=lambda mm: say_length(mm, unit))
            except BadInput as bad:
                field = bad.field.rsplit(".", 1)[-1]
                form.add_error(field, bad.message)
                limit = widest(media_widths, machine_widths)
                if "panels" in bad.message and limit is not None:
                    form.split = panels(size, limit)


ItemFormSet = formset_factory(
    ItemForm,
    formset=ItemRows,
    extra=0,
    max_num=MOST_ROWS,
    absolute_max=MOST_ROWS,
    validate_max=True,
    can_delete=True,
)


def item_rows(data: Any, *, shop: Shop, initial: list[dict[str, Any]], blank: int = 1) -> ItemRows:
    """The rows: of what was sent, or of `initial` and some blank ones."""
    make = cast("type[ItemRows]", ItemFormSet)
    rows = make(
        data, prefix="items", initial=None if data is not None else initial, form_kwargs={"units": shop.units}
    )
    rows.extra = len(initial) + blank
    return rows
