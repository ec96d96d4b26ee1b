"""The rows that a log's words stand for: found in the shop, or made."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import TypeVar

from django.db.models import Max
from django.utils.text import slugify

from jobs.importing.sittings import Sitting
from jobs.models import Category, Driver, JobType, StageKind
from shop.models import Machine, MachineKind, Person, Shop

Row = TypeVar("Row", JobType, Person, Machine)

SETUP = re.compile(r"\bset[ -]?up\b", re.IGNORECASE)


@dataclass
class Vocabulary:
    """Text as the log has it to the shop's row. made: of what kind, to the names that were made."""

    job_types: Mapping[str, JobType]
    kinds: Mapping[str, StageKind]
    people: Mapping[str, Person]
    machines: Mapping[str, Machine]
    made: dict[str, list[str]] = field(default_factory=dict)


def vocabulary_of(shop: Shop, sittings: Iterable[Sitting], new_drivers: Mapping[str, bool]) -> Vocabulary:
    """Find every job type, stage kind, person and machine of the log; make those that the shop does not have.

    Capitals do not matter. A stage kind is found by its name or its key.
    """
    sittings = list(sittings)
    made: dict[str, list[str]] = {}
    _make_drivers(shop, new_drivers, made)
    return Vocabulary(
        _rows(JobType, shop, _names(s.job_type for s in sittings), made, "job types"),
        _stage_kinds(shop, _names(s.stage for s in sittings), made),
        _rows(Person, shop, _names(s.person for s in sittings), made, "people"),
        _rows(Machine, shop, _names(s.machine for s in sittings), made, "machines", kind=MachineKind.BENCH),
        made,
    )


def _names(texts: Iterable[str]) -> list[str]:
    """The different texts in the order of their first appearance."""
    return [text for text in dict.fromkeys(texts) if text]


def _rows(
    model: type[Row], shop: Shop, names: list[str], made: dict[str, list[str]], label: str, **facts: object
) -> dict[str, Row]:
    """The rows with these names; those that are missing are made with `facts`."""
    exact = {row.name: row for row in model.objects.of(shop)}
    folded = {name.casefold(): row for name, row in exact.items()}
    found: dict[str, Row] = {}
    for name in names:
        row = exact.get(name) or folded.get(name.casefold())
        if row is None:
            row = model.objects.create(shop=shop, name=name, **facts)
            folded[name.casefold()] = row
            made.setdefault(label, []).append(name)
        found[name] = row
    return found


def _stage_kinds(shop: Shop, names: list[str], made: dict[str, list[str]]) -> dict[str, StageKind]:
    kinds = list(StageKind.objects.of(shop))
    known = {kind.key: kind for kind in kinds} | {kind.name.casefold(): kind for kind in kinds}
    position = (StageKind.objects.of(shop).aggregate(last=Max("position"))["last"] or 0) + 1
    keys = {kind.key for kind in kinds}
    found: dict[str, StageKind] = {}
    for name in names:
        kind = known.get(name.casefold())
        if kind is None:
            key = _free_key(name, keys.__contains__)
            kind = StageKind.objects.create(
                shop=shop,
                key=key,
                name=name,
                category=Category.SETUP if SETUP.search(name) else Category.WORK,
                position=position,
            )
            position += 1
            keys.add(key)
            known[name.casefold()] = kind
            made.setdefault("stage kinds", []).append(name)
        found[name] = kind
    return found


def _free_key(name: str, taken: Callable[[str], bool]) -> str:
    """A key of the shop's own for a stage kind: never a stock one, which would lend it that one's trade default."""
    base = slugify(name)[:72] or "stage"
    key, n = base, 2
    while taken(key):
        key, n = f"{base}-{n}", n + 1
    return key


def _make_drivers(shop: Shop, new: Mapping[str, bool], made: dict[str, list[str]]) -> None:
    for key, is_category in new.items():
        name = key.replace("_", " ").capitalize()[:60]
        Driver.objects.create(shop=shop, key=key, name=name, is_category=is_category)
        made.setdefault("categories" if is_category else "drivers", []).append(key)
