"""A shop's own drivers, and which kind of stage depends on which."""

from __future__ import annotations

import itertools
from collections.abc import Collection, Iterable, Sequence

from django.db import transaction
from django.db.models import TextChoices
from django.utils.text import slugify

from jobs.drivers import PLANNED
from jobs.models import Driver, StageKind
from jobs.selectors.drivers import driver_uses
from jobs.signals import drivers_changed
from shop.errors import BadInput, ShopError
from shop.models import Shop
from shop.services import revision_raise

LONGEST_NAME, LONGEST_UNIT, LONGEST_LEVEL = 60, 12, 80
MOST_LEVELS = 100
RESERVED = frozenset(
    {"job", "job_type", "stage", "started_at", "finished_at", "hands_on_min", "person", "machine", PLANNED}
)
"""Keys that mean something else: what every log and the clock itself say of a stage."""


class Sort(TextChoices):
    """What a driver's values are."""

    QUANTITY = "quantity", "Quantity"
    WORDS = "words", "Words"
    YES_NO = "yes_no", "Yes or no"


def sort_of(driver: Driver) -> Sort:
    """What the driver's values are."""
    if driver.is_category:
        return Sort.WORDS
    return Sort.YES_NO if driver.is_yes_no else Sort.QUANTITY


@transaction.atomic
def driver_create(shop: Shop, *, name: str, sort: str, unit: str = "", levels: Iterable[str] = ()) -> Driver:
    """Define a driver; its key is made from the name and stays. Raises BadInput (name, sort, unit, levels)."""
    rows = _rows(shop)
    if sort not in Sort.values:
        raise BadInput(f"Choose what it is: {', '.join(Sort.labels)}.", field="sort")
    name = _name(rows, name)
    driver = Driver.objects.create(
        shop=shop,
        key=_free_key(rows, name),
        name=name,
        unit=_unit(unit) if sort == Sort.QUANTITY else "",
        is_category=sort == Sort.WORDS,
        is_yes_no=sort == Sort.YES_NO,
        levels=_levels(levels) if sort == Sort.WORDS else [],
    )
    revision_raise(shop.pk)
    return driver


@transaction.atomic
def driver_update(driver: Driver, *, name: str, unit: str = "", levels: Iterable[str] = ()) -> Driver:
    """Change a driver's name and its unit or words; what was given with it stays as it is. Raises BadInput.

    The unit of a driver that every shop has stays too: its trade formulas are written in it.
    """
    driver.name = _name(_rows(driver.shop), name, driver)
    if sort_of(driver) == Sort.QUANTITY and not is_fixed(driver):
        driver.unit = _unit(unit)
    if driver.is_category:
        driver.levels = _levels(levels)
    driver.save(update_fields=["name", "unit", "levels"])
    revision_raise(driver.shop_id)
    return driver


@transaction.atomic
def driver_delete(driver: Driver) -> None:
    """Remove a driver that nothing uses. Raises ShopError saying what does."""
    _rows(driver.shop)
    if why := why_kept(driver):
        raise ShopError(why)
    driver.delete()
    revision_raise(driver.shop_id)


def is_fixed(driver: Driver) -> bool:
    """Whether the program itself gives the driver, so that its unit is not the shop's to choose."""
    return driver.stock or driver.key == PLANNED


def why_kept(driver: Driver) -> str:
    """Why the driver cannot be removed; empty where it can."""
    if driver.stock:
        return (
            f"{driver.name} is among the drivers that every shop has. Where a stage's time does not depend on it, "
            "clear its tick below."
        )
    use = driver_uses(driver.shop, [driver])[driver.key]
    if use.any:
        return (
            f"{driver.name} is given with {use.words}, so it stays. Where a stage's time does not depend on it, "
            "clear its tick below."
        )
    return ""


@transaction.atomic
def dependence_save(
    shop: Shop, kinds: Sequence[StageKind], drivers: Sequence[Driver], ticked: Collection[tuple[int, int]]
) -> list[StageKind]:
    """Say which of these kinds of stage depend on which of these drivers; the kinds that changed.

    ticked: (kind, driver) by their keys in the database. Other drivers of a kind stay as they are. What was learned
    of the changed kinds is learned again: `drivers_changed` says so inside the transaction, so that it cannot be lost.
    """
    Shop.objects.select_for_update().get(pk=shop.pk)
    shown = {driver.pk for driver in drivers}
    changed = []
    for kind in kinds:
        before = set(kind.ignores.values_list("pk", flat=True))
        after = {pk for pk in shown if (kind.pk, pk) not in ticked} | (before - shown)
        if after != before:
            kind.ignores.set(after)
            changed.append(kind)
    if changed:
        drivers_changed.send(sender=StageKind, shop=shop, kind_ids=[kind.pk for kind in changed])
        revision_raise(shop.pk)
    return changed


def _rows(shop: Shop) -> list[Driver]:
    """All of the shop's drivers; its row is the lock."""
    Shop.objects.select_for_update().get(pk=shop.pk)
    return list(Driver.objects.of(shop))


def _clean(text: str) -> str:
    return " ".join(text.replace("\0", "").split())  # which PostgreSQL does not keep in a text


def _name(rows: Sequence[Driver], name: str, own: Driver | None = None) -> str:
    name = _clean(name)
    if not name:
        raise BadInput("Give it a name, as Surface or Bends.", field="name")
    if len(name) > LONGEST_NAME:
        raise BadInput(f"“{name[:30]}…” is too long: at most {LONGEST_NAME} characters.", field="name")
    same = next((row for row in rows if row != own and row.name.lower() == name.lower()), None)
    if same:
        raise BadInput(f"There already is a “{same.name}”. Choose another name.", field="name")
    return name


def _unit(unit: str) -> str:
    unit = _clean(unit)
    if len(unit) > LONGEST_UNIT:
        raise BadInput(f"The unit “{unit}” is too long: at most {LONGEST_UNIT} characters.", field="unit")
    return unit


def _levels(levels: Iterable[str]) -> list[str]:
    """The words in the order given, each once whatever its capitals."""
    words = [word for level in levels if (word := _clean(level))]
    found = {word.lower(): word for word in reversed(words)}
    kept = [word for word in dict.fromkeys(words) if found[word.lower()] == word]
    for word in kept:
        if len(word) > LONGEST_LEVEL:
            raise BadInput(f"“{word[:30]}…” is too long: at most {LONGEST_LEVEL} characters.", field="levels")
    if len(kept) > MOST_LEVELS:
        raise BadInput(f"{len(kept)} words: at most {MOST_LEVELS} can be chosen from.", field="levels")
    return kept


def _free_key(rows: Sequence[Driver], name: str) -> str:
    taken = {row.key for row in rows} | RESERVED
    stem = slugify(name).replace("-", "_")[:34] or "driver"
    return next(
        key
        for key in itertools.chain([stem], (f"{stem}_{n}" for n in itertools.count(2)))
        if key not in taken
    )
