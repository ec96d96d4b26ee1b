"""A table read by a person's choice of columns: renamed, numbers and yes or no put in one form. Pure."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace

from jobs.drivers import PLANNED
from jobs.importing.columns import (
    LEFT_OUT,
    NEW_CATEGORY,
    NEW_QUANTITY,
    KnownDriver,
    name_and_unit,
    new_key,
    too_many_words,
    with_point,
)
from jobs.importing.dates import INSTANTS, Order, both_ways, dated, reading_of, texts_of
from jobs.importing.dates import Reading as DateReading
from jobs.importing.table import FIXED, REQUIRED, RawRow, Table
from jobs.importing.uploads import Upload

WORDS: Mapping[str, str] = {
    "job": "Job",
    "job_type": "Job type",
    "stage": "Stage",
    "started_at": "Started",
    "finished_at": "Finished",
    "hands_on_min": "Hands-on minutes",
    "person": "Person",
    "machine": "Machine",
}
"""What a page calls the fixed columns."""

OWN_ESTIMATE = KnownDriver(PLANNED, "Own estimate", "min")
YES, NO = frozenset({"yes", "y", "true", "x", "1"}), frozenset({"no", "n", "false", "0"})
_DECIMAL = re.compile(r"[+-]?\d+,\d+")
_THOUSANDS = re.compile(r"[+-]?\d{1,3}(,\d{3})+")


@dataclass(frozen=True)
class Reading:
    """A table whose columns have the names of the import's contract.

    drivers: key of each driver column to whether it is a category. new: those that the shop does not have. labels: a
    column's new name to the one in the file. notes: what was assumed.
    """

    table: Table
    drivers: Mapping[str, bool]
    new: tuple[KnownDriver, ...]
    labels: Mapping[str, str]
    notes: tuple[str, ...]


def wrong_with(
    table: Table, columns: Mapping[str, str], drivers: Iterable[KnownDriver], said: Order | None = None
) -> list[str]:
    """What keeps the columns from being read like this; each with what to do. said: the order of day and month."""
    known = {driver.reading: driver for driver in drivers}
    wrong = [
        f"No column is read as {WORDS[name].lower()}. Choose the one that says it."
        for name in REQUIRED
        if name not in columns.values()
    ]
    uses = Counter(
        reading for reading in columns.values() if reading not in (LEFT_OUT, NEW_QUANTITY, NEW_CATEGORY)
    )
    for reading, n in uses.items():
        if n > 1:
            name = WORDS.get(reading) or (known[reading].name if reading in known else OWN_ESTIMATE.name)
            wrong.append(f"{n} columns are read as {name.lower()}. Leave out all but one.")
    for label, reading in columns.items():
        if reading == NEW_CATEGORY and (words := too_many_words(table, label)):
            wrong.append(
                f"{label} has {words:,} different words, too many to sort anything by. Leave it out."
            )
    dates = dates_read(table, columns, said)
    if dates.asked:
        day, month = both_ways(dates.example)
        wrong.append(
            f"{dates.example} may be {day} or {month}, and no other date of the file tells. Say which."
        )
    return wrong


def dates_read(table: Table, columns: Mapping[str, str], said: Order | None) -> DateReading:
    """In which order the dates are read that the chosen columns hold."""
    return reading_of(texts_of(table, [label for label, name in columns.items() if name in INSTANTS]), said)


def read_as(
    upload: Upload, columns: Mapping[str, str], drivers: Iterable[KnownDriver], said: Order | None = None
) -> Reading:
    """The table with its columns renamed; those left out are gone. columns: nothing may be `wrong_with` them."""
    dates = dates_read(upload.table, columns, said)
    known = {driver.reading: driver for driver in drivers}
    names: dict[str, str] = {}
    used: dict[str, KnownDriver] = {}
    new: list[KnownDriver] = []
    for label in upload.table.columns:
        reading = columns.get(label, LEFT_OUT)
        if reading == LEFT_OUT:
            continue
        if reading in FIXED:
            names[label] = reading
            continue
        driver = known.get(reading)
        if driver is None:
            driver = _new_driver(label, reading, [d.key for d in known.values()] + [d.key for d in new])
            new.append(driver)
        names[label], used[driver.key] = driver.key, driver
    renamed = _renamed(upload, names, used, tuple(new))
    notes = (*renamed.notes, *_date_notes(dates, said))
    return replace(renamed, table=dated(renamed.table, dates.order), notes=notes)


def _date_notes(dates: DateReading, said: Order | None) -> list[str]:
    if dates.order is None or not dates.example:
        return []
    first = "day" if dates.order is Order.DAY_FIRST else "month"
    because = ", for the file shows it" if dates.by_file else ""
    against = " That is not as the last time." if dates.by_file and said and said != dates.order else ""
    return [f"Dates as {dates.example} were read with the {first} first{because}.{against}"]


def _new_driver(label: str, reading: str, taken: list[str]) -> KnownDriver:
    if reading == OWN_ESTIMATE.reading:
        return OWN_ESTIMATE
    name, unit = name_and_unit(label)
    is_category = reading == NEW_CATEGORY
    written = name.replace("_", " ").strip() or name
    name = written[:1].upper() + written[1:60]
    return KnownDriver(new_key(label, [*taken, PLANNED]), name, "" if is_category else unit[:12], is_category)


def _renamed(
    upload: Upload, names: Mapping[str, str], used: Mapping[str, KnownDriver], new: tuple[KnownDriver, ...]
) -> Reading:
    table, notes = upload.table, list(upload.notes)
    change: dict[str, Callable[[str], str]] = {}
    for label, name in names.items():
        driver = used.get(name)
        if driver is not None and driver.is_yes_no:
            change[label] = _as_yes_no
        elif (name == "hands_on_min" or (driver and not driver.is_category)) and _has_decimal_commas(
            (row.values.get(label, "") for row in table.rows), upload.decimal_commas
        ):
            change[label] = with_point
    commas = [label for label, how in change.items() if how is with_point]
    if commas:
        notes.append(f"Commas in {' and '.join(commas)} were read as decimal commas.")
    rows = [
        RawRow(
            row.place,
            {name: change.get(label, str)(row.values.get(label, "")) for label, name in names.items()},
        )
        for row in table.rows
    ]
    drivers = {key: driver.is_category for key, driver in used.items()}
    labels = {name: label for label, name in names.items()}
    return Reading(Table(tuple(names.values()), rows, table.problems), drivers, new, labels, tuple(notes))


def _as_yes_no(text: str) -> str:
    word = text.casefold()
    return "1" if word in YES else "0" if word in NO else text


def _has_decimal_commas(texts: Iterable[str], expected: bool) -> bool:
    """Whether a column's commas stand for points.

    Where one is followed by other than three digits, or semicolons stand between the fields. '1,500' alone may be
    fifteen hundred: it is left as it is, and named as no number.
    """
    with_comma = [text for text in texts if "," in text]
    decimal = bool(with_comma) and all(_DECIMAL.fullmatch(text) for text in with_comma)
    return decimal and (expected or not all(_THOUSANDS.fullmatch(text) for text in with_comma))
