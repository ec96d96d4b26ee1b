"""A file as a table of texts: a header and rows, each with the place that a message would name."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

from jobs.importing.problems import BadFile, Problem

REQUIRED = ("job", "job_type", "stage", "started_at", "finished_at")
OPTIONAL = ("hands_on_min", "person", "machine")
FIXED = REQUIRED + OPTIONAL

LONGEST_NAME = 80
"""Characters of a column's name that are kept."""

EMPTY = "The file is empty. Its first row must name the columns."

Line = tuple[str, list[str]]
"""The place that a message would name, and the cells."""


@dataclass(frozen=True)
class RawRow:
    """One row. place: as 'line 12'. values: column to text, stripped; absent or empty where not given."""

    place: str
    values: dict[str, str]


@dataclass(frozen=True)
class Table:
    """A parsed file. columns: in order, as `canonical` has them. problems: rows that could not be read."""

    columns: tuple[str, ...]
    rows: Sequence[RawRow]
    problems: Sequence[Problem] = field(default=())

    @property
    def others(self) -> tuple[str, ...]:
        """The columns that are not fixed by the contract: drivers, or unknown."""
        return tuple(column for column in self.columns if column not in FIXED)


def canonical(header: str) -> str:
    """A column's name as it is looked up: lower case, '_' for spaces and hyphens."""
    return re.sub(r"[\s\-]+", "_", header.strip()).lower()


def checked_header(cells: Sequence[str], place: str) -> tuple[str, ...]:
    """The canonical columns. Raises BadFile for a column that is missing, nameless or there twice."""
    columns = tuple(canonical(cell) for cell in cells)
    nameless = [i + 1 for i, column in enumerate(columns) if not column]
    if nameless:
        raise BadFile(f"{place}: column {nameless[0]} has no name. Name it, or remove it.")
    twice = sorted({column for column in columns if columns.count(column) > 1})
    if twice:
        raise BadFile(f"{place}: the column {twice[0]} is there twice. Rename or remove one of the two.")
    missing = [column for column in REQUIRED if column not in columns]
    if missing:
        raise BadFile(
            f"{place}: there is no column {' and no column '.join(missing)}. The first row names the columns; "
            f"needed are {', '.join(REQUIRED)}. Found: {', '.join(columns)}."
        )
    return columns


def given_header(cells: Sequence[str], place: str) -> tuple[str, ...]:
    """The columns as the file names them; one without a name, or named as one before it, is told apart by a number."""
    columns: list[str] = []
    for i, cell in enumerate(cells, start=1):
        name = " ".join(cell.split())[:LONGEST_NAME] or f"column {i}"
        while name in columns:
            name = f"{name} ({i})"
        columns.append(name)
    return tuple(columns)


def table_from(
    lines: Iterable[Line],
    heading: Callable[[Sequence[str], str], tuple[str, ...]] = checked_header,
    *,
    most: int | None = None,
) -> Table:
    """The table of the lines that are not blank, of which the first is the header.

    heading: the header's columns. Raises BadFile for no header or one that will not do, no row, or more than `most`.
    """
    columns: tuple[str, ...] = ()
    made: list[RawRow | Problem] = []
    for place, cells in lines:
        if not any(cell.strip() for cell in cells):
            continue
        if not columns:
            columns = heading(cells, place)
            continue
        made.append(row_of(columns, cells, place))
        if most is not None and len(made) > most:
            raise BadFile(
                f"The file has more than {most:,} rows. Split it, or bring it in with the command "
                "`manage.py import_timings FILE`."
            )
    if not columns:
        raise BadFile(EMPTY)  # a byte order mark and line breaks: what a spreadsheet saves of an empty sheet
    return table_of(columns, made)


def row_of(columns: Sequence[str], cells: Sequence[str], place: str) -> RawRow | Problem:
    """A row, or what is wrong with the number of its fields."""
    if len(cells) != len(columns):
        return Problem(place, f"{len(cells)} fields, but the header has {len(columns)}.")
    return RawRow(place, {column: cell.strip() for column, cell in zip(columns, cells, strict=True)})


def table_of(columns: Sequence[str], made: Sequence[RawRow | Problem]) -> Table:
    """The table of rows read; raises BadFile if there is none at all."""
    if not made:
        raise BadFile("The file has a header but no rows, so there is nothing to import.")
    return Table(
        tuple(columns),
        [row for row in made if isinstance(row, RawRow)],
        [problem for problem in made if isinstance(problem, Problem)],
    )
