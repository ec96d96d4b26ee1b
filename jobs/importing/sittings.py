"""From a table's texts to sittings: every value checked, every bad row named."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from jobs.importing.dates import INSTANTS, Order, both_ways, dated, reading_of, texts_of
from jobs.importing.problems import BadFile, Problem
from jobs.importing.table import OPTIONAL, REQUIRED, RawRow, Table

ROUNDING_MIN = 1.0
"""Minutes that hands_on_min may exceed its interval by: a log that keeps times to the minute can be off by that
much. It is then the whole interval."""

MOST_LEVELS = 200
"""Different texts that a new category may have: a column of remarks or of serial numbers is no category."""

LONGEST = {"job": 120, "job_type": 80, "stage": 80, "person": 80, "machine": 80}
"""Characters."""

LONGEST_CATEGORY = 80
MOST_AMOUNT = 1e15
"""The largest number that a column may hold: far above any amount of work, and sums of it are numbers still."""

EARLIEST, LATEST = datetime(1970, 1, 1, tzinfo=UTC), datetime(2200, 1, 1, tzinfo=UTC)

Value = float | str


@dataclass(frozen=True)
class Sitting:
    """One row: a person or a machine at one stage of one job. Instants are UTC; hands_on_min None: all of it."""

    place: str
    job: str
    job_type: str
    stage: str
    started_at: datetime
    finished_at: datetime
    hands_on_min: float | None = None
    person: str = ""
    machine: str = ""
    drivers: Mapping[str, Value] = field(default_factory=dict)


@dataclass(frozen=True)
class Log:
    """A file's sittings in its own order.

    new_drivers: key to whether it is a category. ignored: columns left out. local_times: instants that had no
    offset and were read on the shop's clock. named: key of a new driver to its name and unit, where those are known.
    """

    sittings: Sequence[Sitting]
    new_drivers: Mapping[str, bool]
    ignored: Sequence[str]
    local_times: int
    named: Mapping[str, tuple[str, str]] = field(default_factory=dict)


@dataclass(frozen=True)
class Checked:
    """The good rows' sittings, and what is wrong with the others of `rows`. local_times: as in Log."""

    sittings: Sequence[Sitting]
    problems: Sequence[Problem]
    rows: int
    local_times: int


@dataclass
class Reader:
    """Reads one row's values and keeps what is wrong with them."""

    zone: ZoneInfo
    drivers: Mapping[str, bool]
    problems: list[Problem] = field(default_factory=list)
    local_times: int = 0

    def sitting(self, row: RawRow) -> Sitting | None:
        """The row's sitting, or None after noting its problems."""
        before = len(self.problems)
        texts = {name: self._text(row, name) for name in LONGEST}
        start, finish = self._instant(row, "started_at"), self._instant(row, "finished_at")
        hands_on = self._number(row, "hands_on_min")
        if start and finish:
            hands_on = self._within(row, start, finish, hands_on)
        drivers = {key: value for key in self.drivers if (value := self._driver(row, key)) is not None}
        if len(self.problems) > before or start is None or finish is None:
            return None
        return Sitting(
            row.place,
            texts["job"],
            texts["job_type"],
            texts["stage"],
            start,
            finish,
            hands_on,
            texts["person"],
            texts["machine"],
            drivers,
        )

    def _bad(self, row: RawRow, column: str, reason: str) -> None:
        self.problems.append(Problem(row.place, reason, column))

    def _text(self, row: RawRow, column: str) -> str:
        text = " ".join(row.values.get(column, "").split())
        if not text and column in REQUIRED:
            self._bad(row, column, "is empty. Fill it in.")
        if len(text) > LONGEST[column]:
            self._bad(row, column, f"has {len(text)} characters; shorten it to {LONGEST[column]}.")
        return text

    def _instant(self, row: RawRow, column: str) -> datetime | None:
        text = row.values.get(column, "")
        try:
            at = datetime.fromisoformat(text)
            if ":" not in text and "T" not in text.upper():
                raise ValueError("no time of day")
            if at.tzinfo is None:
                self.local_times += 1
                at = at.replace(tzinfo=self.zone)
            at = at.astimezone(UTC)
        except (ValueError, OverflowError):
            shown = f"{text!r} is no instant" if text else "is empty"
            self._bad(row, column, f"{shown}. Write it as 2026-03-02 09:15.")
            return None
        if not EARLIEST <= at < LATEST:
            self._bad(row, column, f"{text!r} is in the year {at.year}. Check the date.")
            return None
        return at

    def _number(self, row: RawRow, column: str) -> float | None:
        """A number of 0 or more; None where it is empty or (after noting it) wrong."""
        text = row.values.get(column, "")
        if not text:
            return None
        number = as_number(text)
        if number is None:
            self._bad(row, column, f"{text!r} is not a number. Write it as 12.5, or leave it empty.")
        elif number < 0:
            self._bad(row, column, f"{text} is negative. Give 0 or more, or leave it empty.")
        elif number > MOST_AMOUNT:
            self._bad(row, column, f"{text} is more than any amount of work. Check it, or leave it empty.")
        else:
            return number
        return None

    def _within(self, row: RawRow, start: datetime, finish: datetime, hands_on: float | None) -> float | None:
        """The hands-on minutes, no more than the interval."""
        if finish < start:
            self._bad(
                row,
                "finished_at",
                f"{row.values['finished_at']} is before started_at {row.values['started_at']}.",
            )
            return None
        interval = (finish - start) / timedelta(minutes=1)
        if hands_on is None or hands_on < interval:
            return hands_on
        if hands_on > interval + ROUNDING_MIN:
            self._bad(
                row,
                "hands_on_min",
                f"{hands_on:g} minutes are more than the {interval:g} from start to finish.",
            )
        return None

    def _driver(self, row: RawRow, key: str) -> Value | None:
        if not self.drivers[key]:
            return self._number(row, key)
        text = " ".join(row.values.get(key, "").split())
        if len(text) > LONGEST_CATEGORY:
            self._bad(row, key, f"has {len(text)} characters; shorten it to {LONGEST_CATEGORY}.")
        return text or None


def read_log(
    table: Table,
    zone: ZoneInfo,
    known: Mapping[str, bool],
    *,
    define_drivers: bool = False,
    ignore_unknown: bool = False,
    dates: Order | None = None,
) -> Log:
    """The sittings of a table. Raises BadFile that names every bad row, or the columns that are not known.

    zone: of instants without offset. known: the shop's drivers, key to whether it is a category.
    define_drivers: take unknown columns as new drivers (numbers) or categories (texts). dates: the order of day and
    month, where the file does not show it.
    """
    shown = reading_of(texts_of(table, INSTANTS), dates)
    if shown.asked:
        day, month = both_ways(shown.example)
        raise BadFile(
            f"Nothing was imported: {shown.example} may be {day} or {month}, and no other date of the file tells. Give "
            f"--dates {Order.DAY_FIRST} or --dates {Order.MONTH_FIRST}."
        )
    table = dated(table, shown.order)
    unknown = [column for column in table.others if column not in known]
    new = new_drivers(table, unknown) if define_drivers else {}
    ignored = [column for column in unknown if column not in new]
    if ignored and not (define_drivers or ignore_unknown):
        raise BadFile(unknown_columns(ignored, known))
    checked = rows_checked(table, zone, {**known, **new})
    if checked.problems:
        raise BadFile.of_rows(checked.problems, checked.rows)
    return Log(checked.sittings, new, ignored, checked.local_times)


def rows_checked(table: Table, zone: ZoneInfo, drivers: Mapping[str, bool]) -> Checked:
    """The sittings of a table's good rows, and all that is wrong with the others, in the file's order.

    zone: of instants without offset. drivers: key to whether it is a category; other columns are passed over.
    """
    reader = Reader(zone, {column: drivers[column] for column in table.others if column in drivers})
    sittings = [sitting for row in table.rows if (sitting := reader.sitting(row)) is not None]
    problems = [*table.problems, *reader.problems, *other_types(sittings)]
    problems.sort(key=lambda problem: [int(number) for number in re.findall(r"\d+", problem.place)])
    return Checked(sittings, problems, len(table.rows) + len(table.problems), reader.local_times)


def unknown_columns(columns: Sequence[str], known: Mapping[str, bool]) -> str:
    """The message for columns that are neither fixed nor a driver."""
    one = len(columns) == 1
    return (
        f"Nothing was imported: the column{'' if one else 's'} {', '.join(columns)} {'is' if one else 'are'} not "
        f"known. Known are {', '.join((*REQUIRED, *OPTIONAL, *sorted(known)))}. Give --define-drivers to make a "
        "driver of each unknown column, or --ignore-unknown to leave them out."
    )


def new_drivers(table: Table, columns: Sequence[str]) -> dict[str, bool]:
    """Which of the columns become drivers, and whether each is a category.

    A column of numbers is a driver, one of texts a category. One that is empty throughout, has a name that is too
    long, or so many different texts that it sorts nothing, is left out.
    """
    made: dict[str, bool] = {}
    for column in columns:
        values = {text for row in table.rows if (text := row.values.get(column, ""))}
        texts = any(as_number(text) is None for text in values)
        if values and len(column) <= 40 and not (texts and len(values) > MOST_LEVELS):
            made[column] = texts
    return made


def other_types(sittings: Sequence[Sitting]) -> list[Problem]:
    """Rows whose job had another job type on an earlier row."""
    first: dict[str, Sitting] = {}
    return [
        Problem(
            sitting.place,
            f"job {sitting.job} is of type {sitting.job_type!r} here and of type {earlier.job_type!r} at "
            f"{earlier.place}. A job has one type.",
            "job_type",
        )
        for sitting in sittings
        if (earlier := first.setdefault(sitting.job, sitting)).job_type != sitting.job_type
    ]


def as_number(text: str) -> float | None:
    """A finite number, or None."""
    try:
        number = float(text)
    except ValueError:
        return None
    return number if math.isfinite(number) and "_" not in text else None


SUMMED = frozenset({"area_m2", "cut_m", "pieces", "panels"})
"""Amounts of work done: sittings of one stage add up. Of other drivers the largest counts."""


def stage_values(sittings: Sequence[Sitting]) -> dict[str, Value]:
    """The drivers and categories of one stage from its sittings.

    A driver with the same value on each row has that value: the row repeats what is true of the stage. Where rows
    differ, amounts are summed and others are the largest. Of a category the commonest text counts, of equals the
    first.
    """
    given: dict[str, list[Value]] = {}
    for sitting in sittings:
        for key, value in sitting.drivers.items():
            given.setdefault(key, []).append(value)
    return {key: _one_value(key, values) for key, values in given.items()}


def _one_value(key: str, values: Sequence[Value]) -> Value:
    distinct = set(values)
    if len(distinct) == 1:
        return values[0]
    numbers = [value for value in values if not isinstance(value, str)]
    if len(numbers) < len(values):
        return max(values, key=values.count)
    return sum(numbers) if key in SUMMED else max(numbers)
