"""Which kind of file it is, and its table."""

from __future__ import annotations

from pathlib import Path

from jobs.importing.delimited import read_csv
from jobs.importing.problems import BadFile
from jobs.importing.table import Table
from jobs.importing.workbook import read_xlsx
from jobs.importing.xes import read_xes

READERS = {".csv": read_csv, ".txt": read_csv, ".tsv": read_csv, ".xlsx": read_xlsx, ".xes": read_xes}
LARGEST = 512 * 1024 * 1024
"""Bytes of a file."""


def read_table(path: Path) -> Table:
    """The table in a CSV, XLSX or XES file, told apart by its ending. Raises BadFile."""
    reader = READERS.get(path.suffix.lower())
    if reader is None:
        raise BadFile(
            f"{path.name}: give a .csv, .xlsx or .xes file, not {path.suffix or 'one without an ending'}."
        )
    try:
        if path.stat().st_size > LARGEST:
            raise BadFile(
                f"{path.name} has {path.stat().st_size / 1e6:,.0f} MB; split it into files of 500 MB."
            )
        content = path.read_bytes()
    except OSError as error:
        raise BadFile(f"{path} cannot be read: {error.strerror}.") from error
    return reader(content)
