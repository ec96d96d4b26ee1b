"""The rows that a log's words stand for: found in the shop, or made."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar

from django.db.models import Max
from django.utils.text import slugify

from jobs.drivers import PLANNED
from jobs.importing.sittings import Log, Sitting
from jobs.models import Category, Driver, JobType, StageKind
from shop.models import Machine, MachineKind, Person, Shop

Row = TypeVar("Row", JobType, Person, Machine)
AnyRow = TypeVar("AnyRow", JobType, StageKind, Person, Machine)

JOB_TYPES, KINDS, PEOPLE, MACHINES = "job types", "stage kinds", "people", "machines"
DRIVERS, LEVELS = "drivers", "levels"

SETUP = re.compile(r"\bset[ -]?up\b", re.IGNORECASE)


@dataclass
class Vocabulary:
    """Text as the log has it to the shop's row.

    made: of what kind, to the names that were made. keys: of which sort (JOB_TYPES …), to the keys of the rows that
    were made; LEVELS to pairs of a driver's key and the word that was added to it.
    """

    job_types: Mapping[str, JobType]
    kinds: Mapping[str, StageKind]
    people: Mapping[str, Person]
    machines: Mapping[str, Machine]
    made: dict[str, list[str]] = field(default_factory=dict)
    keys: dict[str, list[Any]] = field(default_factory=dict)


@dataclass(frozen=True)
class Found(Generic[AnyRow]):
    """A log's texts, and the shop's rows for them; whatever their capitals."""

    texts: list[str]
    rows: dict[str, AnyRow]

    @property
    def missing(self) -> list[str]:
        """The names that the shop has no row for, each as the log writes it first."""
        missing: dict[str, str] = {}
        for text in self.texts:
            if text not in self.rows:
                missing.setdefault(text.casefold(), text)
        return list(missing.values())


@dataclass(frozen=True)
class Words:
    """What a log's texts stand for in a shop, without making anything."""

    job_types: Found[JobType]
    kinds: Found[StageKind]
    people: Found[Person]
    machines: Found[Machine]
    levels: Mapping[Driver, list[str]]

    @property
    def missing(self) -> dict[str, list[str]]:
        """Of what kind, to the names that would have to be made."""
        found = {
            **{f"words of {driver.name}": words for driver, words in self.levels.items()},
            JOB_TYPES: self.job_types.missing,
            KINDS: self.kinds.missing,
            PEOPLE: self.people.missing,
            MACHINES: self.machines.missing,
        }
        return {label: names for label, names in found.items() if names}


def words_of(shop: Shop, sittings: Iterable[Sitting]) -> Words:
    """Find every job type, stage kind, person and machine of the log that the shop has.

    Capitals do not matter. A stage kind is found by its name or its key.
    """
    sittings = list(sittings)
    kinds = list(StageKind.objects.of(shop))
    by_key = {kind.key: kind for kind in kinds} | {kind.name.casefold(): kind for kind in kinds}
    return Words(
        _found(_by_name(JobType.objects.of(shop)), (s.job_type for s in sittings)),
        _found(by_key, (s.stage for s in sittings)),
        _found(_by_name(Person.objects.of(shop)), (s.person for s in sittings)),
        _found(_by_name(Machine.objects.of(shop)), (s.machine for s in sittings)),
        _new_levels(shop, sittings),
    )


def vocabulary_of(shop: Shop, log: Log) -> Vocabulary:
    """`words_of`, with everything made that the shop does not have: drivers too."""
    made: dict[str, list[str]] = {}
    keys: dict[str, list[Any]] = {}
    if drivers := _make_drivers(shop, log, made):
        keys[DRIVERS] = drivers
    words = words_of(shop, log.sittings)
    made.update(words.missing)
    for driver, levels in words.levels.items():
        driver.levels = [*driver.levels, *levels]
        driver.save(update_fields=["levels"])
        keys.setdefault(LEVELS, []).extend([driver.pk, word] for word in levels)
    done = Vocabulary(
        _all(words.job_types, lambda name: JobType.objects.create(shop=shop, name=name)),
        _all(words.kinds, _kind_maker(shop)),
        _all(words.people, lambda name: Person.objects.create(shop=shop, name=name)),
        _all(
            words.machines,
            lambda name: Machine.objects.create(shop=shop, name=name, kind=MachineKind.BENCH),
        ),
        made,
        keys,
    )
    keys |= _keys_made(words.job_types, done.job_types, JOB_TYPES) | _keys_made(
        words.kinds, done.kinds, KINDS
    )
    keys |= _keys_made(words.people, done.people, PEOPLE)
    keys |= _keys_made(words.machines, done.machines, MACHINES)
    return done


def _keys_made(found: Found[AnyRow], rows: Mapping[str, AnyRow], what: str) -> dict[str, list[Any]]:
    """The keys of the rows that were made for what was missing."""
    made = [rows[name].pk for name in found.missing]
    return {what: made} if made else {}


def _by_name(rows: Iterable[Row]) -> dict[str, Row]:
    """Exact names, and behind them names whatever their capitals."""
    exact = {row.name: row for row in rows}
    return {**{name.casefold(): row for name, row in exact.items()}, **exact}


def _found(known: Mapping[str, AnyRow], texts: Iterable[str]) -> Found[AnyRow]:
    different = [text for text in dict.fromkeys(texts) if text]
    rows = {text: known.get(text) or known.get(text.casefold()) for text in different}
    return Found(different, {text: row for text, row in rows.items() if row is not None})


def _new_levels(shop: Shop, sittings: Iterable[Sitting]) -> dict[Driver, list[str]]:
    """Of each category that has a list of words: those of the log that are not on it."""
    listed = [d for d in Driver.objects.of(shop).filter(is_category=True) if d.levels]
    given = {driver: dict.fromkeys(s.drivers.get(driver.key) for s in sittings) for driver in listed}
    new = {
        driver: [str(word) for word in words if word is not None and word not in driver.levels]
        for driver, words in given.items()
    }
    return {driver: words for driver, words in new.items() if words}


def _all(found: Found[AnyRow], make: Callable[[str], AnyRow]) -> dict[str, AnyRow]:
    """Each text to its row; the missing ones are made."""
    made = {name.casefold(): make(name) for name in found.missing}
    return {text: found.rows.get(text) or made[text.casefold()] for text in found.texts}


def _kind_maker(shop: Shop) -> Callable[[str], StageKind]:
    """Makes a stage kind behind those that there are."""
    keys = set(StageKind.objects.of(shop).values_list("key", flat=True))
    last = StageKind.objects.of(shop).aggregate(last=Max("position"))["last"] or 0
    positions = itertools.count(last + 1)

    def make(name: str) -> StageKind:
        key = _free_key(name, keys.__contains__)
        keys.add(key)
        category = Category.SETUP if SETUP.search(name) else Category.WORK
        return StageKind.objects.create(
            shop=shop, key=key, name=name, category=category, position=next(positions)
        )

    return make


def _free_key(name: str, taken: Callable[[str], bool]) -> str:
    """A key of the shop's own for a stage kind: never a stock one, which would lend it that one's trade default."""
    base = slugify(name)[:72] or "stage"
    key, n = base, 2
    while taken(key):
        key, n = f"{base}-{n}", n + 1
    return key


def _make_drivers(shop: Shop, log: Log, made: dict[str, list[str]]) -> list[int]:
    """Make the log's new drivers; their keys in the database."""
    rows = []
    for key, is_category in log.new_drivers.items():
        name, unit = driver_name(log, key)
        if Driver.objects.of(shop).filter(key=key).exists():
            continue  # made before it was stopped
        rows.append(
            Driver.objects.create(shop=shop, key=key, name=name, unit=unit, is_category=is_category).pk
        )
        made.setdefault("categories" if is_category else "drivers", []).append(key)
    return rows


def driver_name(log: Log, key: str) -> tuple[str, str]:
    """The name and the unit that a new driver gets."""
    own = (
        ("Own estimate", "min") if key == PLANNED else (key.replace("_", " ").strip().capitalize() or key, "")
    )
    name, unit = log.named.get(key, own)
    return name[:60], unit[:12]
