"""A timed sheet as it is typed up: one line for each element, its name and what the watch said. Pure.

Readings are `mm:ss`, `h:mm:ss` or decimal minutes; on a sheet of clock times `h:mm` or `h:mm:ss`. Between name and
reading stands a tab, two spaces, a comma or a semicolon; what follows a # is a note. A decimal comma is as good as a
point.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from jobs.wall_clock import instants_of

KINDS = ("continuous", "flyback", "clock")
"""The watch ran on; the watch was set back to nought at each element; the clock on the wall was read."""

MOST_LINES = 200
LONGEST_NAME = 60
LONGEST = timedelta(hours=12)
"""Of one element. A clock time that seems later by more than that lies before the reading above it."""

BEGIN_WORDS = frozenset({"", "start", "begin", "started", "began"})

_READING = r"[0-9][0-9:.,]*"
_LINE = re.compile(
    rf"^(?P<name>.*?)(?P<gap>\s*\t\s*|\s*;\s*|\s*,\s+|\s+,\s*|,|\s{{2,}})(?P<reading>{_READING})$"
)
_ALONE = re.compile(rf"^{_READING}$")
_PARTS = re.compile(r"^(\d{1,9}):(\d{2})(?::(\d{2}))?([.,]\d+)?$")
_DECIMAL = re.compile(r"^\d+([.,]\d+)?$")


@dataclass(frozen=True)
class SheetError:
    """What is wrong in one line, counted from 1, from one column on, and what to write instead."""

    line: int
    column: int
    problem: str

    def __str__(self) -> str:
        return f"Line {self.line}, column {self.column}: {self.problem}"


@dataclass(frozen=True)
class SheetElement:
    """One element of the sheet, from an instant to an instant, both in UTC; line: counted from 1."""

    name: str
    starts: datetime
    ends: datetime
    line: int

    @property
    def length(self) -> timedelta:
        """How long it took, more than nothing."""
        return self.ends - self.starts


@dataclass(frozen=True)
class Sheet:
    """What a sheet says, or all that is wrong with it; then there are no elements."""

    elements: tuple[SheetElement, ...] = ()
    errors: tuple[SheetError, ...] = ()


@dataclass(frozen=True)
class _Row:
    line: int
    name: str
    reading: str
    column: int


class _Wrong(Exception):
    """Something in one line that will not do: where, and what to write."""

    def __init__(self, line: int, column: int, problem: str) -> None:
        super().__init__(problem)
        self.error = SheetError(line, column, problem)


def read_sheet(text: str, kind: str, day: date, begins: datetime | None, zone: ZoneInfo) -> Sheet:
    """Read a sheet. kind: of KINDS; begins: aware, when the first element began.

    On a sheet of clock times the first reading is the beginning where it stands alone or is named 'start', and
    `begins` may be None; `day` is then the day of that reading. Every line that will not do is named.
    """
    if kind not in KINDS:
        raise ValueError(f"There is no kind of reading {kind!r}. Kinds: {', '.join(KINDS)}.")
    begins = begins.astimezone(UTC) if begins else None  # within one zone Python adds by the wall clock
    errors: list[SheetError] = []
    rows: list[_Row] = []
    for made in _rows(text, kind):
        if isinstance(made, _Row):
            rows.append(made)
        else:
            errors.append(made)
    if not rows and not errors:
        errors.append(
            SheetError(1, 1, "the sheet is empty. Write a line for each element, as 'load roll  1:20'.")
        )
    elements: list[SheetElement] = []
    # Lines that cannot be taken apart are left out here, so that all that is wrong is said at once.
    for each in _clock(rows, day, begins, zone) if kind == "clock" else _watch(rows, kind, begins):
        if isinstance(each, SheetElement):
            elements.append(each)
        else:
            errors.append(each)
    if not elements and not errors:
        last = rows[-1]
        errors.append(SheetError(last.line, 1, "there is only the beginning. Write the elements below it."))
    return (
        Sheet((), tuple(sorted(errors, key=lambda error: error.line))) if errors else Sheet(tuple(elements))
    )


def _rows(text: str, kind: str) -> Iterator[_Row | SheetError]:
    """The lines that say something, taken apart."""
    found = 0
    for number, whole in enumerate(text.splitlines(), 1):
        line = whole.partition("#")[0].rstrip()
        if not line.strip():
            continue
        found += 1
        if found > MOST_LINES:
            yield SheetError(
                number, 1, f"a sheet has at most {MOST_LINES} lines. Type the rest up as another."
            )
            return
        try:
            yield _row(number, line, first=found == 1, kind=kind)
        except _Wrong as wrong:
            yield wrong.error


def _row(number: int, line: str, *, first: bool, kind: str) -> _Row:
    indent = len(line) - len(line.lstrip()) + 1
    line = line.strip()
    alone = _ALONE.match(line)
    if alone:
        if first and kind != "flyback":
            return _Row(number, "", line, indent)
        raise _Wrong(number, indent, "there is a reading but no element. Write its name before it.")
    match = _LINE.match(line)
    if match is None:
        raise _Wrong(number, indent, _no_reading(line))
    name, column = " ".join(match["name"].split()), indent + match.start("reading")
    if match["gap"] == "," and re.search(r"\s\d+$", match["name"]):
        raise _Wrong(
            number,
            column,
            f"is '{line[match.end('name') - 1 :]}' one reading or two? Put two spaces before it.",
        )
    if not name:
        raise _Wrong(number, indent, "there is a reading but no element. Write its name before it.")
    if len(name) > LONGEST_NAME:
        raise _Wrong(number, indent, f"the name has {len(name)} characters; at most {LONGEST_NAME} are kept.")
    return _Row(number, name, match["reading"], column)


def _no_reading(line: str) -> str:
    if re.search(r"\s" + _READING + "$", line):
        return "one space stands before the reading. Put two, or a tab, a comma or a semicolon."
    return "no reading stands at the end. Write name and reading, as 'load roll  1:20'."


def _watch(rows: list[_Row], kind: str, begins: datetime | None) -> Iterator[SheetElement | SheetError]:
    """The elements of a watch that ran on, or was set back at each."""
    if begins is None:
        yield SheetError(
            rows[0].line if rows else 1,
            1,
            "a watch does not say when it was started. Give the time it began.",
        )
        return
    zero, before = timedelta(0), timedelta(0)
    for index, row in enumerate(rows):
        try:
            reading = _reading(row)
            if index == 0 and kind == "continuous" and row.name.lower() in BEGIN_WORDS:
                zero = before = reading
                continue
            ends = before + reading if kind == "flyback" else reading
            length = ends - before
            if length <= timedelta(0):
                raise _Wrong(row.line, row.column, _goes_back(row, before, kind))
            if length > LONGEST:
                raise _Wrong(row.line, row.column, _too_long(row))
        except _Wrong as wrong:
            yield wrong.error
            continue
        yield SheetElement(row.name, begins + before - zero, begins + ends - zero, row.line)
        before = ends


def _goes_back(row: _Row, before: timedelta, kind: str) -> str:
    if kind == "flyback":
        return f"{row.reading} is no time at all. Write how long the element took, or leave the line out."
    return (
        f"the watch goes back: {row.reading} is not after {minutes_words(before)} above it. Put one of the two right, "
        "or choose flyback if the watch was set back at each element."
    )


def _too_long(row: _Row) -> str:
    return f"{row.reading} would be more than 12 hours for one element. Write minutes and seconds, as 4:05."


def _reading(row: _Row) -> timedelta:
    """What a watch said."""
    parts = _PARTS.match(row.reading)
    if parts:
        first, second, third = int(parts[1]), int(parts[2]), parts[3]
        rest = float("0" + parts[4].replace(",", ".")) if parts[4] else 0.0
        if second > 59 or (third is not None and int(third) > 59):
            raise _Wrong(
                row.line, row.column, f"{row.reading} has more than 59 after a colon. Write mm:ss or h:mm:ss."
            )
        if third is None:
            hours, minutes, seconds = 0, first, second
        else:
            hours, minutes, seconds = first, second, int(third)
        return _span(row, hours * 3600 + minutes * 60 + seconds + rest)
    if _DECIMAL.match(row.reading):
        return _span(row, float(row.reading.replace(",", ".")) * 60)
    raise _Wrong(
        row.line,
        row.column,
        f"'{row.reading}' is no reading. Write mm:ss, h:mm:ss or minutes, as 1:21 or 1.35.",
    )


def _span(row: _Row, seconds: float) -> timedelta:
    if seconds > 100 * 3600:
        raise _Wrong(row.line, row.column, _too_long(row))
    return timedelta(seconds=round(seconds, 3))


def _clock(
    rows: list[_Row], day: date, begins: datetime | None, zone: ZoneInfo
) -> Iterator[SheetElement | SheetError]:
    """The elements of a sheet on which the clock was read at the end of each."""
    before = begins
    for index, row in enumerate(rows):
        try:
            if index == 0 and (row.name.lower() in BEGIN_WORDS):
                before = _first(row, day, zone)
                continue
            if before is None:
                raise _Wrong(
                    row.line,
                    row.column,
                    "when did the first element begin? Write 'start' and the time above it.",
                )
            ends = _next_instant(row, before, zone)
        except _Wrong as wrong:
            yield wrong.error
            continue
        yield SheetElement(row.name, before, ends, row.line)
        before = ends


def _clock_time(row: _Row) -> time:
    parts = _PARTS.match(row.reading)
    if parts is None or parts[4]:
        raise _Wrong(
            row.line, row.column, f"'{row.reading}' is no clock time. Write hours and minutes, as 09:14:30."
        )
    hours, minutes, seconds = int(parts[1]), int(parts[2]), int(parts[3] or 0)
    if hours > 23 or minutes > 59 or seconds > 59:
        raise _Wrong(row.line, row.column, f"{row.reading} is on no clock. Hours go to 23, minutes to 59.")
    return time(hours, minutes, seconds)


def _first(row: _Row, day: date, zone: ZoneInfo) -> datetime:
    found = instants_of(datetime.combine(day, _clock_time(row)), zone)
    if not found:
        raise _Wrong(row.line, row.column, _skipped(row))
    return found[0]


def _next_instant(row: _Row, before: datetime, zone: ZoneInfo) -> datetime:
    """The next moment after `before` at which the clock shows the reading: perhaps after a midnight."""
    at, today = _clock_time(row), before.astimezone(zone).date()
    found = [
        instant
        for day in (today, today + timedelta(days=1))
        for instant in instants_of(datetime.combine(day, at), zone)
        if instant > before
    ]
    if not found or found[0] - before >= LONGEST:
        if not instants_of(datetime.combine(today, at), zone):
            raise _Wrong(row.line, row.column, _skipped(row))
        shown = f"{before.astimezone(zone):%H:%M:%S}".removesuffix(":00")
        raise _Wrong(
            row.line,
            row.column,
            f"the clock goes back: {row.reading} is not after {shown}. Put one of the two right.",
        )
    return found[0]


def _skipped(row: _Row) -> str:
    return (
        f"{row.reading} was not on the clock that day: it was put forward over it. Write the time it showed."
    )


def minutes_words(length: timedelta) -> str:
    """A length as a watch shows it: '1:21', '1:02:05', '0:04.5'."""
    thousandths = round(length / timedelta(milliseconds=1))
    seconds, rest = divmod(thousandths, 1000)
    minutes, seconds = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    head = f"{hours}:{minutes:02d}" if hours else f"{minutes}"
    return f"{head}:{seconds:02d}" + (f".{rest:03d}".rstrip("0") if rest else "")
