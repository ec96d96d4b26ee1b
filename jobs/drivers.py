"""What a stage's time grows with, from the sizes of a job's items; and whether those sizes make sense.

Pure functions. Sizes are in millimetres, cut paths in metres, areas in square metres.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol, TypeGuard, TypeVar

from shop.errors import BadInput
from shop.models import InkBuild

# Film that the rollers hold on each side, and how far neighbouring panels lie over each other.
# Common practice, no source.
MARGIN_MM = 10.0
OVERLAP_MM = 10.0
LARGEST_MM = 100_000.0  # longer than any roll: a slip of the unit
MOST_PIECES = 100_000

# Letters no higher than this are slow to weed. Common practice, no source.
SMALL_LETTERS_MM = 25.0

FROM_ITEMS = ("area_m2", "cut_m", "pieces", "panels", "layers", "small_share")
"""Keys of the drivers that a job's items give."""

PLANNED = "planned_min"
"""Key of the driver that is somebody's own estimate of a stage, in minutes."""

Value = TypeVar("Value")


class Sized(Protocol):
    """One graphic and how often it is made: an `Item` row or an `ItemSize`."""

    @property
    def name(self) -> str: ...
    @property
    def width_mm(self) -> float: ...
    @property
    def height_mm(self) -> float: ...
    @property
    def count(self) -> int: ...
    @property
    def cut_m(self) -> float | None: ...
    @property
    def letter_mm(self) -> float | None: ...
    @property
    def ink_build(self) -> str: ...


@dataclass(frozen=True)
class ItemSize:
    """An item as it is asked for.

    cut_m: the cut path of one, in metres; None for its outline. letter_mm: how high its letters are; None for none.
    """

    width_mm: float
    height_mm: float
    count: int = 1
    name: str = ""
    cut_m: float | None = None
    ink_build: str = InkBuild.COLOUR
    letter_mm: float | None = None


def drivers_of(
    items: Iterable[Sized], job_drivers: Mapping[str, object], stage_drivers: Mapping[str, object]
) -> dict[str, float]:
    """Driver key to value: what the items give, then the job's own, then the stage's own over it.

    Keys: area_m2, cut_m, pieces, panels, layers, passes, and small_share where an item says how high its letters
    are; others only where given. Without items those are absent, not zero: they are unknown. A yes or no is 1 or 0.
    Values that are not numbers are categories; see `categories_of`.
    """
    items = list(items)
    drivers: dict[str, float] = {}
    if items:
        pieces = float(sum(item.count for item in items))
        drivers = {
            "area_m2": sum(item.width_mm * item.height_mm * item.count for item in items) / 1e6,
            "cut_m": sum(cut_of_one(item) * item.count for item in items),
            "pieces": pieces,
            "panels": pieces,
            "layers": float(max(InkBuild(item.ink_build).layers for item in items)),
            "passes": 1.0,
            **_small_share(items),
        }
    for own in (job_drivers, stage_drivers):
        drivers.update({key: float(value) for key, value in own.items() if _is_number(value)})
    return drivers


def categories_of(job_drivers: Mapping[str, object], stage_drivers: Mapping[str, object]) -> dict[str, str]:
    """Driver key to text, of those that are categories; the stage's own over the job's."""
    both = {**job_drivers, **stage_drivers}
    return {key: value for key, value in both.items() if isinstance(value, str) and value}


def depends_on(ignores: Collection[str], values: Mapping[str, Value]) -> dict[str, Value]:
    """The drivers or categories that a kind of stage's time depends on. ignores: keys of those it does not."""
    return {key: value for key, value in values.items() if key not in ignores}


def cut_of_one(item: Sized) -> float:
    """Metres of cut path of one piece: as given, or its outline."""
    return 2 * (item.width_mm + item.height_mm) / 1000 if item.cut_m is None else item.cut_m


def widest(media_widths: Iterable[float], machine_widths: Iterable[float]) -> float | None:
    """The widest film, in mm, that some roll and some machine can both do; None where nothing is known."""
    known = [max(widths) for widths in (list(media_widths), list(machine_widths)) if widths]
    return min(known) if known else None


def panels(item: ItemSize, widest_mm: float) -> ItemSize:
    """The item as the fewest upright panels that each fit on film of this width, overlapping by 10 mm.

    Upright seams and the overlap are common practice, no source. The cut path, where given, is shared out.
    """
    usable = widest_mm - 2 * MARGIN_MM
    if usable <= OVERLAP_MM:
        raise BadInput(f"Film of {widest_mm:g} mm is too narrow for panels.", field="width_mm")
    n = max(2, math.ceil((item.width_mm - OVERLAP_MM) / (usable - OVERLAP_MM)))
    width = math.ceil((item.width_mm + (n - 1) * OVERLAP_MM) / n * 10 - 1e-6) / 10
    return replace(
        item,
        name=f"{item.name[:113]}, panel" if item.name else "Panel",
        width_mm=width,
        count=item.count * n,
        cut_m=None if item.cut_m is None else item.cut_m / n,
    )


def in_mm(size: float) -> str:
    """A length for a message: '1,370 mm'."""
    return f"{size:,.1f}".removesuffix(".0") + " mm"


def check_items(
    items: Sequence[Sized],
    media_widths: Iterable[float] = (),
    machine_widths: Iterable[float] = (),
    *,
    show: Callable[[float], str] = in_mm,
) -> None:
    """Raise BadInput for the first item whose size makes no sense or fits no roll either way round.

    Widths in mm; none known means none checked. show: how messages write a length. The error's `field` is
    'items.<index>.<field>'.
    """
    media, machines = list(media_widths), list(machine_widths)
    for index, item in enumerate(items):
        check_item(index, item, media, machines, show=show)


def check_item(
    index: int,
    item: Sized,
    media_widths: Iterable[float] = (),
    machine_widths: Iterable[float] = (),
    *,
    show: Callable[[float], str] = in_mm,
) -> None:
    """`check_items` for the item of this index."""
    _check_size(index, item, show)
    _check_width(index, item, list(media_widths), list(machine_widths), show)


def item_label(index: int, item: Sized) -> str:
    """What messages call an item: 'Item 2 (rear window)'."""
    return f"Item {index + 1} ({item.name})" if item.name else f"Item {index + 1}"


def _check_size(index: int, item: Sized, show: Callable[[float], str]) -> None:
    label = item_label(index, item)
    for field, name in (("width_mm", "width"), ("height_mm", "height")):
        size = getattr(item, field)
        if not math.isfinite(size) or size < 1:
            raise BadInput(
                f"{label}: its {name} is {show(size)}. Give a size of at least {show(1.0)}.",
                field=f"items.{index}.{field}",
            )
        if size > LARGEST_MM:
            raise BadInput(
                f"{label}: its {name} is {show(size)}. Check the unit; the most is {show(LARGEST_MM)}.",
                field=f"items.{index}.{field}",
            )
    if not 1 <= item.count <= MOST_PIECES:
        raise BadInput(
            f"{label}: {item.count} pieces. Give a whole number from 1 to {MOST_PIECES:,}.",
            field=f"items.{index}.count",
        )
    if item.cut_m is not None and not 0 <= item.cut_m <= LARGEST_MM:
        raise BadInput(
            f"{label}: its cut path is {item.cut_m:g} m. Give 0 m or more, or leave it empty for its outline.",
            field=f"items.{index}.cut_m",
        )
    most = max(item.width_mm, item.height_mm)
    if item.letter_mm is not None and not 0.1 <= item.letter_mm <= most:
        raise BadInput(
            f"{label}: letters {show(item.letter_mm)} high. Give from {show(0.1)} to the item's own "
            f"{show(most)}, or leave it empty if it has none.",
            field=f"items.{index}.letter_mm",
        )
    if item.ink_build not in InkBuild.values:
        raise BadInput(
            f"{label}: the ink build {item.ink_build!r} is not one of {', '.join(InkBuild.values)}.",
            field=f"items.{index}.ink_build",
        )


def _check_width(
    index: int, item: Sized, media: list[float], machines: list[float], show: Callable[[float], str]
) -> None:
    limit = widest(media, machines)
    if limit is None or min(item.width_mm, item.height_mm) <= limit - 2 * MARGIN_MM:
        return
    by_machine = bool(machines) and (not media or max(machines) < max(media))
    what = "film that a machine for it takes is" if by_machine else "roll is"
    split = panels(ItemSize(item.width_mm, item.height_mm), limit)
    raise BadInput(
        f"{item_label(index, item)} is {show(item.width_mm)} × {show(item.height_mm)}, and the widest {what} "
        f"{show(limit)} ({show(limit - 2 * MARGIN_MM)} between its margins). Split it into panels: "
        f"{split.count} panels of {show(split.width_mm)}, overlapping by {show(OVERLAP_MM)}.",
        field=f"items.{index}.width_mm",
    )


def _small_share(items: Sequence[Sized]) -> dict[str, float]:
    """Of the pieces, by their cut path (by count where there is none), those with small letters: `small_share`."""
    if all(item.letter_mm is None for item in items):
        return {}
    weights = [cut_of_one(item) * item.count for item in items]
    if sum(weights) <= 0:
        weights = [float(item.count) for item in items]
    small = [
        weight
        for item, weight in zip(items, weights, strict=True)
        if item.letter_mm is not None and item.letter_mm <= SMALL_LETTERS_MM
    ]
    return {"small_share": sum(small) / sum(weights)}


def _is_number(value: object) -> TypeGuard[float]:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
