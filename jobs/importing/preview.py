"""What a page shows of a file before it is brought in, as plain values that are kept with it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from jobs.importing.columns import KnownDriver, guessed, remembered, signature_of
from jobs.importing.dates import Order, both_ways
from jobs.importing.planning import Plan, plan_of
from jobs.importing.problems import SHOWN, Problem
from jobs.importing.reading import WORDS, Reading, dates_read, read_as, wrong_with
from jobs.importing.sittings import Checked, Log, Sitting, rows_checked
from jobs.importing.table import FIXED
from jobs.importing.uploads import Upload
from jobs.models import ColumnMapping, Driver
from shop.models import Shop

FIRST = 10
"""Rows that a page shows as they were understood."""

EXAMPLES = 3
"""Different values of a column that a page shows."""

MOST_NAMES = 60
"""Names of new things that are kept for the page, of each sort."""


@dataclass(frozen=True)
class Understood:
    """A file read by a choice of columns: the rows that are good, what is wrong with the others, what it would make."""

    reading: Reading
    checked: Checked
    log: Log
    plan: Plan

    @property
    def problems(self) -> list[Problem]:
        """All that is wrong with rows, under the column names of the file."""
        labels = self.reading.labels
        start = labels.get("started_at", "started_at")
        return [
            Problem(p.place, p.reason.replace("started_at", start), labels.get(p.column, p.column))
            for p in (*self.checked.problems, *self.plan.problems)
        ]

    def made_named(self, made: Mapping[str, Sequence[str]]) -> list[list[Any]]:
        """New things for the page: of what kind, how many, and the names of the first; new drivers by their names."""
        name_of = {key: name for key, (name, _) in self.log.named.items()}
        lines = []
        for what, names in made.items():
            shown = [name_of.get(name, name) if what in ("drivers", "categories") else name for name in names]
            lines.append([what, len(names), shown[:MOST_NAMES]])
        return lines


def known_drivers(shop: Shop) -> list[KnownDriver]:
    """The shop's drivers."""
    fields = ("key", "name", "unit", "is_category", "is_yes_no")
    return [KnownDriver(*values) for values in Driver.objects.of(shop).values_list(*fields)]


def columns_for(shop: Shop, upload: Upload) -> tuple[dict[str, str], str, bool]:
    """What each column is read as to begin with, the order of day and month that was said for it or '', and whether
    that is how such a file was read the last time."""
    labels, drivers = upload.table.columns, known_drivers(shop)
    kept = ColumnMapping.objects.of(shop).filter(signature=signature_of(labels)).first()
    if kept is None:
        return guessed(upload.table, drivers), "", False
    return remembered(labels, kept.columns, drivers), kept.dates, True


def order_said(dates: str) -> Order | None:
    """The order of day and month as it is kept; None where nothing was said."""
    return Order(dates) if dates in list(Order) else None


def understand(shop: Shop, upload: Upload, columns: Mapping[str, str], dates: str = "") -> Understood:
    """Read a file by a choice of columns that nothing is wrong with. Reads the shop, writes nothing.

    dates: the order of day and month, where it was said.
    """
    reading = read_as(upload, columns, known_drivers(shop), order_said(dates))
    checked = rows_checked(reading.table, shop.zone, reading.drivers)
    log = Log(
        checked.sittings,
        {driver.key: driver.is_category for driver in reading.new},
        [label for label in upload.table.columns if label not in reading.labels.values()],
        checked.local_times,
        {driver.key: (driver.name, driver.unit) for driver in reading.new},
    )
    return Understood(reading, checked, log, plan_of(shop, log))


def preview_of(
    shop: Shop, upload: Upload, columns: Mapping[str, str], dates: str, now: datetime, *, from_last: bool
) -> dict[str, Any]:
    """What the page shows at `now`, as JSON keeps it. from_last: the columns are as the last time."""
    wrong = wrong_with(upload.table, columns, known_drivers(shop), order_said(dates))
    shown: dict[str, Any] = {
        "kind": upload.kind,
        "rows": len(upload.table.rows) + len(upload.table.problems),
        "columns": [[label, _examples(upload, label)] for label in upload.table.columns],
        "from_last": from_last,
        "wrong": wrong,
        "dates": _dates(upload, columns),
    }
    if not wrong:
        shown |= _understood(shop, understand(shop, upload, columns, dates), now)
    return shown


def problem_rows(problems: Sequence[Problem]) -> Iterator[list[str]]:
    """What is wrong, for a spreadsheet."""
    yield ["place", "column", "reason"]
    for problem in problems:
        yield [problem.place, problem.column, problem.reason]


def _dates(upload: Upload, columns: Mapping[str, str]) -> list[list[str]]:
    """What the dates could be, where the file does not tell: each order with an example and its meaning."""
    dates = dates_read(upload.table, columns, None)
    if not dates.asked:
        return []
    meanings = both_ways(dates.example)
    return [[order.value, dates.example, meaning] for order, meaning in zip(Order, meanings, strict=True)]


def _examples(upload: Upload, label: str) -> list[str]:
    found: dict[str, None] = {}
    for row in upload.table.rows:
        if value := row.values.get(label, ""):
            found[value[:60]] = None
        if len(found) == EXAMPLES:
            break
    return list(found)


def _understood(shop: Shop, seen: Understood, now: datetime) -> dict[str, Any]:
    problems, plan, zone = seen.problems, seen.plan, shop.zone
    notes = list(seen.reading.notes)
    if seen.checked.local_times:
        notes.append(
            f"{seen.checked.local_times:,} times have no offset and were read as {shop.time_zone} times."
        )
    if ahead := sum(sitting.finished_at > now for sitting in seen.checked.sittings):
        rows = "1 row ends" if ahead == 1 else f"{ahead:,} rows end"
        notes.append(f"{rows} in the future, where nothing can have been clocked. Check the dates.")
    named = {d.key: d.name for d in (*known_drivers(shop), *seen.reading.new)}
    keys = [name for name in seen.reading.table.columns if name not in FIXED]
    return {
        "bad_rows": len({problem.place for problem in problems}),
        "problems": [[p.place, p.column, p.reason] for p in problems[:SHOWN]],
        "more_problems": max(0, len(problems) - SHOWN),
        "heads": [*WORDS.values(), *(named[key] for key in keys)],
        "first": [_row(sitting, keys, zone) for sitting in seen.checked.sittings[:FIRST]],
        "new_rows": plan.new_rows,
        "old_rows": plan.rows - plan.new_rows,
        "jobs": plan.jobs,
        "stages": plan.stages,
        "made": seen.made_named(plan.made),
        "left_out": list(seen.log.ignored),
        "notes": notes,
        "clashes": plan.clashes,
    }


def _row(sitting: Sitting, keys: Sequence[str], zone: ZoneInfo) -> list[str]:
    """A sitting in the order of WORDS and the driver columns."""
    instants = (f"{at.astimezone(zone):%Y-%m-%d %H:%M}" for at in (sitting.started_at, sitting.finished_at))
    hands_on = "all" if sitting.hands_on_min is None else f"{sitting.hands_on_min:g}"
    fixed = [
        sitting.job,
        sitting.job_type,
        sitting.stage,
        *instants,
        hands_on,
        sitting.person,
        sitting.machine,
    ]
    values = (sitting.drivers.get(key, "") for key in keys)
    return [*fixed, *(value if isinstance(value, str) else f"{value:g}" for value in values)]
