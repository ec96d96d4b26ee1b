"""An uploaded file as a table whose columns are named as the file names them; told apart by what it holds."""

from __future__ import annotations

from dataclasses import dataclass

from jobs.importing.delimited import csv_lines, decoded_loosely, delimiter_of
from jobs.importing.problems import BadFile
from jobs.importing.table import Table, given_header, table_from
from jobs.importing.workbook import xlsx_table
from jobs.importing.xes import read_xes

LARGEST = 20 * 1024 * 1024
"""Bytes of an uploaded file."""

MOST_ROWS = 50_000
MOST_COLUMNS = 200
LARGEST_UNPACKED = 256 * 1024 * 1024
"""Bytes that an uploaded workbook may unpack to."""

_OTHERS = {
    b"\xd0\xcf\x11\xe0": "a workbook in the old binary form (.xls). Save it as XLSX or as CSV",
    b"\x1f\x8b": "packed with gzip. Unpack it first",
    b"%PDF": "a PDF. Save the table as CSV or XLSX",
}
_DELIMITERS = {";": "semicolons", "\t": "tabs"}


@dataclass(frozen=True)
class Upload:
    """A file that was read. kind: CSV, XLSX or XES. notes: what was assumed. decimal_commas: they may be expected."""

    table: Table
    kind: str
    notes: tuple[str, ...] = ()
    decimal_commas: bool = False


def read_upload(content: bytes) -> Upload:
    """Read a file by what it holds, whatever its name. Raises BadFile, with what to do."""
    if len(content) > LARGEST:
        raise BadFile(
            f"The file has {len(content) / 1e6:,.0f} MB, and a page takes {LARGEST // 1024**2} MB. Split it, or bring "
            "it in with the command `manage.py import_timings FILE`."
        )
    for beginning, what in _OTHERS.items():
        if content.startswith(beginning):
            raise BadFile(f"This is {what}.")
    upload = _read(content)
    if len(upload.table.columns) > MOST_COLUMNS:
        raise BadFile(
            f"The file has {len(upload.table.columns):,} columns, and at most {MOST_COLUMNS} are read. Take out those "
            "that say nothing of stage times."
        )
    return upload


def _read(content: bytes) -> Upload:
    if content.startswith(b"PK"):
        table = xlsx_table(content, largest=LARGEST_UNPACKED, heading=given_header, most=MOST_ROWS)
        return Upload(table, "XLSX")
    # Without byte order marks, and without the zeros that UTF-16 puts between the letters.
    beginning = content[:200].replace(b"\0", b"").lstrip(b"\xef\xbb\xbf\xff\xfe \t\r\n")
    if beginning.startswith(b"<"):
        return Upload(_without_empty(read_xes(content, most=MOST_ROWS)), "XES")
    text, assumed = decoded_loosely(content)
    between = delimiter_of(text)
    table = table_from(csv_lines(text), given_header, most=MOST_ROWS)
    notes = [assumed] if assumed else []
    if between in _DELIMITERS:
        notes.append(f"Between the fields stand {_DELIMITERS[between]}.")
    return Upload(table, "CSV", tuple(notes), between == ";")


def _without_empty(table: Table) -> Table:
    """The table without the columns that no row has a value in."""
    filled = {column for row in table.rows for column, value in row.values.items() if value}
    return Table(tuple(c for c in table.columns if c in filled), table.rows, table.problems)
