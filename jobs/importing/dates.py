"""Dates as people write them, put into the form of ISO 8601: the order of day and month is read off the columns. Pure.

03/04/2026 alone says nothing; a day above 12 anywhere in the file does, for a file is written in one order. With dots
the day stands first, as in every national form that uses them (Unicode CLDR 46, date patterns of its locales).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from enum import StrEnum

from jobs.importing.table import RawRow, Table

INSTANTS = ("started_at", "finished_at")


class Order(StrEnum):
    """What stands first in a date whose year is last."""

    DAY_FIRST = "dmy"
    MONTH_FIRST = "mdy"


_TIME = (
    r"(?:(?:\s*,\s*|\s+|T)(?P<hour>\d{1,2}):(?P<minute>\d{2})(?::(?P<second>\d{2}(?:[.,]\d+)?))?"
    r"(?:\s*(?P<half>[AaPp])\.?[Mm]\.?)?)?\s*(?P<offset>Z|z|[+-]\d{2}:?\d{2})?"
)
_YEAR_LAST = re.compile(
    r"(?P<a>\d{1,2})(?:(?P<mark>[./])(?P<b>\d{1,2})(?P=mark)(?P<year>\d{4}|\d{2})|-(?P<b2>\d{1,2})-(?P<year2>\d{4}))"
    + _TIME
)
_YEAR_FIRST = re.compile(r"(?P<year>\d{4})(?P<mark>[-./])(?P<a>\d{1,2})(?P=mark)(?P<b>\d{1,2})" + _TIME)


@dataclass(frozen=True)
class Written:
    """A date whose year is last: its first two numbers, its year, and what stands between."""

    a: int
    b: int
    year: int
    mark: str

    @property
    def is_day_first(self) -> bool:
        """Whether it is a date with the day first."""
        return _is_date(self.a, self.b, self.year)

    @property
    def is_month_first(self) -> bool:
        """Whether it is a date with the month first."""
        return _is_date(self.b, self.a, self.year)


@dataclass(frozen=True)
class Reading:
    """In which order the dates of a file are read. order: None where there are none, or where `asked`.

    example: a date that shows it, or, where it is asked, one that could be read both ways. by_file: the file itself
    shows the order.
    """

    order: Order | None
    asked: bool = False
    example: str = ""
    by_file: bool = False


def reading_of(texts: Iterable[str], said: Order | None = None) -> Reading:
    """The order of a file's dates: as the file shows, else as was said, else to be asked."""
    found = {text: written for text in dict.fromkeys(texts) if (written := _parts(text))}
    both = [text for text, w in found.items() if w.a != w.b and w.is_day_first and w.is_month_first]
    day = [text for text, w in found.items() if w.is_day_first and not w.is_month_first]
    month = [text for text, w in found.items() if w.is_month_first and not w.is_day_first]
    if len(day) != len(month):
        shows, order = (day, Order.DAY_FIRST) if len(day) > len(month) else (month, Order.MONTH_FIRST)
        return Reading(order, False, shows[0], True)
    if said and found:
        return Reading(said, False, next(iter([*both, *found])))
    if not both and not day:
        return Reading(Order.DAY_FIRST if found else None)
    if not day and all(written.mark == "." for written in found.values()):
        return Reading(Order.DAY_FIRST, False, both[0])
    return Reading(None, True, [*both, *day][0])


def both_ways(text: str) -> tuple[str, str]:
    """A date in words, with the day first and with the month first."""
    one = _parts(text)
    if one is None:
        return text, text
    return _in_words(one.a, one.b, one.year), _in_words(one.b, one.a, one.year)


def as_iso(text: str, order: Order | None) -> str:
    """The instant in ISO 8601; whatever is no such date stays as it is, to be named as one that cannot be read."""
    if _is_iso(text):
        return text
    found = _YEAR_FIRST.fullmatch(text.strip())
    if found:
        return _iso(found, int(found["year"]), int(found["a"]), int(found["b"])) or text
    one, found = _parts(text), _YEAR_LAST.fullmatch(text.strip())
    if one is None or found is None or order is None:
        return text
    day, month = (one.a, one.b) if order is Order.DAY_FIRST else (one.b, one.a)
    return _iso(found, one.year, month, day) or text


def dated(table: Table, order: Order | None) -> Table:
    """The table with its instants in ISO 8601, as far as they can be read."""

    def row_dated(row: RawRow) -> RawRow:
        put = {name: as_iso(row.values[name], order) for name in INSTANTS if row.values.get(name)}
        return RawRow(row.place, {**row.values, **put})

    return replace(table, rows=[row_dated(row) for row in table.rows])


def texts_of(table: Table, columns: Sequence[str]) -> list[str]:
    """All that stands in these columns."""
    return [text for row in table.rows for column in columns if (text := row.values.get(column, ""))]


def _is_iso(text: str) -> bool:
    try:
        datetime.fromisoformat(text)
    except ValueError:
        return False
    return True


def _parts(text: str) -> Written | None:
    found = _YEAR_LAST.fullmatch(text.strip())
    if found is None:
        return None
    year = found["year"] or found["year2"]
    century = 2000 if len(year) == 2 else 0
    return Written(int(found["a"]), int(found["b"] or found["b2"]), int(year) + century, found["mark"] or "-")


def _is_date(day: int, month: int, year: int) -> bool:
    try:
        date(year, month, day)
    except ValueError:
        return False
    return True


def _in_words(day: int, month: int, year: int) -> str:
    return f"{date(year, month, day):%-d %B %Y}" if _is_date(day, month, year) else "no date"


def _iso(found: re.Match[str], year: int, month: int, day: int) -> str:
    """ISO 8601 of what was found; empty where there is no such day or hour."""
    hour, half = int(found["hour"] or 0), (found["half"] or "").lower()
    if not _is_date(day, month, year) or (half and not 1 <= hour <= 12):
        return ""
    hour = hour % 12 + (12 if half == "p" else 0) if half else hour
    on = f"{year:04}-{month:02}-{day:02}"
    if not found["hour"]:
        return on
    second = (found["second"] or "00").replace(",", ".")
    return f"{on}T{hour:02}:{found['minute']}:{second}{(found['offset'] or '').upper()}"
