"""Words that imports made, taken out again where nothing of the shop uses them any more."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from typing import Any

from django.db import models
from django.db.models import ProtectedError, Q
from django.db.models.deletion import Collector

from jobs.importing.columns import DRIVER
from jobs.importing.vocabulary import DRIVERS, JOB_TYPES, KINDS, LEVELS, MACHINES, PEOPLE
from jobs.models import (
    ColumnMapping,
    DraftState,
    Driver,
    ImportDraft,
    Job,
    JobType,
    RouteEdge,
    RouteStage,
    Stage,
    StageKind,
)
from shop.models import Machine, Person, Shop, ShopOwned

# Job types before kinds of stage, which their routes name.
_MODELS: Mapping[str, type[ShopOwned]] = {
    JOB_TYPES: JobType,
    KINDS: StageKind,
    PEOPLE: Person,
    MACHINES: Machine,
}

_GIVEN = frozenset(
    {"id", "shop", "name", "key", "kind", "category", "position", "unit", "is_category", "levels"}
)
"""What an import says of a new word; what else is not as a new one has it, somebody has said since."""

_GO_ALONG = frozenset({"RouteStage", "RouteEdge", "ModelState", "StageDay"})
"""Rows that go with a word: a job type's own route, and what was learned, which is made again."""


def words_take_out(record: ImportDraft) -> dict[str, list[str]]:
    """Delete the words and routes that this import made, or one taken back before, and that nothing uses.

    A word that somebody has said more of since stays. In a transaction. Returns the names, by sort.
    """
    shop = record.shop
    gone = ImportDraft.objects.of(shop).filter(state__in=(DraftState.TAKEN, DraftState.PARTLY))
    made = [record.made, *gone.exclude(pk=record.pk).values_list("made", flat=True)]
    keys: dict[str, list[Any]] = defaultdict(list)
    for one in made:
        for what, some in one.get("keys", {}).items():
            keys[what] += some
        _routes_out(shop, one.get("routes", {}))
    names: dict[str, list[str]] = {}
    for what, model in _MODELS.items():
        _note(names, what, (row for row in model.objects.of(shop).filter(pk__in=keys[what]) if _taken(row)))
    _levels_out(shop, keys[LEVELS])
    drivers = [row for row in Driver.objects.of(shop).filter(pk__in=keys[DRIVERS]) if _driver_unused(row)]
    _mappings_out(shop, {DRIVER + row.key for row in drivers})
    _note(names, DRIVERS, (row for row in drivers if _taken(row)))
    return names


def _note(names: dict[str, list[str]], what: str, rows: Iterable[ShopOwned]) -> None:
    found = [str(row) for row in rows]
    if found:
        names[what] = found


def _taken(row: ShopOwned) -> bool:
    """Delete the row, if nothing but what goes along refers to it and nobody has said more of it."""
    if not _as_made(row):
        return False
    collector = Collector(using=row._state.db or "default")
    try:
        collector.collect([row])
    except ProtectedError:
        return False
    others = {model.__name__ for model in collector.data} | {
        rows.model.__name__ for rows in collector.fast_deletes if rows.exists()
    }
    if others - _GO_ALONG - {type(row).__name__} or _let_go(collector):
        return False
    row.delete()
    return True


def _let_go(collector: Collector) -> bool:
    """Whether any row would lose its reference to what is deleted."""
    return any(
        batch.exists() if isinstance(batch, models.QuerySet) else bool(batch)
        for batches in collector.field_updates.values()
        for batch in batches
    )


def _as_made(row: ShopOwned) -> bool:
    fields = [field for field in row._meta.concrete_fields if field.name not in _GIVEN]
    return all(getattr(row, field.attname) == field.get_default() for field in fields)


def _routes_out(shop: Shop, routes: Mapping[str, list[int]]) -> None:
    """Take the routes away that were read off an import's jobs and are still as they were."""
    for job_type, line in routes.items():
        mine = RouteStage.objects.of(shop).filter(job_type=int(job_type))
        used = Job.objects.of(shop).filter(job_type=int(job_type)).exists()
        plain = not mine.exclude(name="", needed="always").exists()
        if not used and plain and list(mine.values_list("kind", flat=True)) == line:
            RouteEdge.objects.filter(before__in=mine).delete()
            mine.delete()


def _driver_unused(driver: Driver) -> bool:
    has = Q(drivers__has_key=driver.key)
    rows = (Stage.objects.of(driver.shop).filter(has), Job.objects.of(driver.shop).filter(has))
    return not any(one.exists() for one in rows)


def _levels_out(shop: Shop, added: Iterable[tuple[int, str]]) -> None:
    """Take words off the lists of categories that no job has."""
    for key, word in added:
        driver = Driver.objects.of(shop).filter(pk=key).first()
        if driver is None or word not in driver.levels:
            continue
        has = Q(**{f"drivers__{driver.key}": word})
        if not (Stage.objects.of(shop).filter(has).exists() or Job.objects.of(shop).filter(has).exists()):
            driver.levels = [one for one in driver.levels if one != word]
            driver.save(update_fields=["levels"])


def _mappings_out(shop: Shop, readings: set[str]) -> None:
    """Forget how a layout of file was read if it was read as drivers that are gone."""
    for mapping in ColumnMapping.objects.of(shop):
        if readings & set(mapping.columns.values()):
            mapping.delete()
