"""How a file's columns are read: guessed from their names, and carried out as new names. Pure.

A reading is '' for left out, one of the fixed columns, `driver:<key>` for a quantity or category of the shop, or a new
one, NEW_QUANTITY or NEW_CATEGORY, which takes its name and unit from the column's.
"""

from __future__ import annotations

import hashlib
import itertools
import json
import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from django.utils.text import slugify

from jobs.drivers import PLANNED
from jobs.importing.sittings import MOST_LEVELS, as_number
from jobs.importing.table import FIXED, Table

LEFT_OUT = ""
DRIVER = "driver:"
NEW_QUANTITY = "new quantity"
NEW_CATEGORY = "new category"

FEW_WORDS = 20
"""Different texts up to which a column is guessed to be a category."""

NAMES: Mapping[str, frozenset[str]] = {
    reading: frozenset(names.split())
    for reading, names in {
        "job": "job job_no job_nr job_number job_id order order_no order_number case case_id ticket",
        "job_type": "job_type type type_of_job family product product_type",
        "stage": "stage step activity operation task",
        "started_at": "started_at started start start_time begin began begun from",
        "finished_at": "finished_at finished finish finish_time end ended end_time complete completed to until",
        "hands_on_min": "hands_on_min hands_on hands_on_minutes attended attended_min attended_minutes",
        "person": "person who worker employee operator by",
        "machine": "machine printer cutter equipment device",
        DRIVER + PLANNED: "planned_min planned planned_minutes own_estimate estimate estimated_min "
        "estimated_minutes",
    }.items()
}
"""The names that a fixed column is known by, as `plain` writes them."""

_MINUTES = ("", "min", "mins", "minutes")
_IN_MINUTES = ("hands_on_min", DRIVER + PLANNED)
_UNIT = re.compile(r"^(?P<name>.*?)\s*[\[(](?P<unit>[^\])]*)[\])]\s*$")


@dataclass(frozen=True)
class KnownDriver:
    """A driver that the shop has."""

    key: str
    name: str
    unit: str = ""
    is_category: bool = False
    is_yes_no: bool = False

    @property
    def reading(self) -> str:
        """What a column is read as that holds it."""
        return DRIVER + self.key


def plain(text: str) -> str:
    """A name as it is looked up: lower case, '_' for what is no letter or digit; m² is m2."""
    return re.sub(r"[^\w]+|_+", "_", unicodedata.normalize("NFKC", text).casefold()).strip("_")


def name_and_unit(label: str) -> tuple[str, str]:
    """A column's name, and the unit that stands behind it in brackets."""
    found = _UNIT.match(label)
    return (found["name"], found["unit"].strip()) if found and found["name"] else (label, "")


def signature_of(labels: Sequence[str]) -> str:
    """What a layout of file is remembered by: SHA-256 of its column names in order."""
    return hashlib.sha256(json.dumps(list(labels)).encode()).hexdigest()


def guessed(table: Table, drivers: Iterable[KnownDriver]) -> dict[str, str]:
    """Each column to what it is most likely to be read as; of two that claim the same the first has it."""
    known = list(drivers)
    columns: dict[str, str] = {}
    for label in table.columns:
        reading = _by_name(label, known)
        columns[label] = reading if reading not in columns.values() else LEFT_OUT
    for label, reading in columns.items():
        if not reading:
            columns[label] = _by_values([row.values.get(label, "") for row in table.rows])
    return columns


def remembered(
    labels: Sequence[str], columns: Mapping[str, str], drivers: Iterable[KnownDriver]
) -> dict[str, str]:
    """What the columns were read as the last time; left out where a driver is gone since."""
    there = {*FIXED, NEW_QUANTITY, NEW_CATEGORY, DRIVER + PLANNED, *(driver.reading for driver in drivers)}
    return {label: reading if (reading := columns.get(label, "")) in there else LEFT_OUT for label in labels}


def _by_name(label: str, drivers: Sequence[KnownDriver]) -> str:
    name, unit = name_and_unit(label)
    full, short, measure = plain(label), plain(name), plain(unit)
    for driver in drivers:
        same_unit = not measure or measure == plain(driver.unit)
        if full == plain(driver.key) or (same_unit and short in (plain(driver.key), plain(driver.name))):
            return driver.reading
    for reading, names in NAMES.items():
        if full in names or (short in names and (reading not in _IN_MINUTES or measure in _MINUTES)):
            return reading
    return LEFT_OUT


def _by_values(texts: Sequence[str]) -> str:
    """Numbers are a new quantity, a few words that come again a new category; a running number is neither."""
    given = [text for text in texts if text]
    different = set(given)
    numbers = [number for text in given if (number := as_number(with_point(text))) is not None]
    if not given:
        return LEFT_OUT
    if len(numbers) == len(given):
        return LEFT_OUT if _counts_up(numbers) or min(numbers) < 0 else NEW_QUANTITY
    return NEW_CATEGORY if len(different) <= min(FEW_WORDS, max(1, len(given) // 2)) else LEFT_OUT


def _counts_up(numbers: Sequence[float]) -> bool:
    return len(numbers) > 2 and all(b == a + 1 for a, b in itertools.pairwise(numbers))


def with_point(text: str) -> str:
    """A number with a decimal comma as one with a point; other texts as they are."""
    return text.replace(",", ".") if re.fullmatch(r"[+-]?\d+,\d+", text) else text


def new_key(label: str, taken: Iterable[str]) -> str:
    """The key of a new driver that is named by a column."""
    there = {*taken, *FIXED}
    base = slugify(name_and_unit(label)[0]).replace("-", "_")[:36] or "column"
    key, n = base, 2
    while key in there:
        key, n = f"{base}_{n}", n + 1
    return key


def too_many_words(table: Table, label: str) -> int:
    """How many different texts a column has, if they are too many for a category; else 0."""
    different = len({row.values.get(label, "") for row in table.rows} - {""})
    return different if different > MOST_LEVELS else 0
