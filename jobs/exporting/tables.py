"""CSV (RFC 4180) and XLSX: a row for each sitting, under the column names that the import reads."""

from __future__ import annotations

import csv
import tempfile
from collections.abc import Iterable, Iterator, Sequence

from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

from jobs.exporting.sittings import JobTimes, Sitting, StageTimes
from jobs.importing.table import FIXED
from jobs.selectors.jobs import plain_cell
from shop.errors import ShopError

Cell = str | float | None
MOST_SHEET_ROWS = 1_048_576
"""Rows of a sheet (ISO/IEC 29500 gives no limit; spreadsheets stop there)."""

CHUNK = 64 * 1024
"""Bytes that are handed on at a time."""


def table_rows(jobs: Iterable[JobTimes], keys: Sequence[str]) -> Iterator[list[Cell]]:
    """A row for each sitting. keys: of the driver columns."""
    for job in jobs:
        for stage in job.stages:
            values: list[Cell] = [stage.drivers.get(key) for key in keys]
            for sitting in stage.sittings:
                yield [*_fixed(job, stage, sitting), *values]


def _fixed(job: JobTimes, stage: StageTimes, sitting: Sitting) -> list[Cell]:
    """The cells in the order of FIXED."""
    at = (sitting.started_at.isoformat(), sitting.finished_at.isoformat())
    return [job.name, job.job_type, stage.name, *at, sitting.hands_on_min, sitting.person, sitting.machine]


def csv_chunks(jobs: Iterable[JobTimes], keys: Sequence[str]) -> Iterator[bytes]:
    """The lines of a CSV file, UTF-8. A text that a spreadsheet would take for a formula gets an apostrophe."""
    writer = csv.writer(_Line(), lineterminator="\r\n")
    yield str(writer.writerow([*FIXED, *(plain_cell(key) for key in keys)])).encode()
    for row in table_rows(jobs, keys):
        yield str(writer.writerow([_csv_cell(cell) for cell in row])).encode()


class _Line:
    """A file that hands each line back."""

    def write(self, line: str) -> str:
        """The line itself."""
        return line


def _csv_cell(cell: Cell) -> str:
    if cell is None:
        return ""
    return plain_cell(cell) if isinstance(cell, str) else number_text(cell)


def number_text(number: float) -> str:
    """A number that reads as the same one, whole numbers without a point."""
    return str(int(number)) if float(number).is_integer() else repr(float(number))


def xlsx_chunks(jobs: Iterable[JobTimes], keys: Sequence[str]) -> Iterator[bytes]:
    """The bytes of a workbook. Texts are kept as texts, so that none is taken for a formula.

    Raises ShopError where there are more rows than a sheet has.
    """
    book = Workbook(write_only=True)
    sheet = book.create_sheet("Timings")
    sheet.append([*FIXED, *keys])
    for number, row in enumerate(table_rows(jobs, keys), start=2):
        if number > MOST_SHEET_ROWS:
            raise ShopError(
                f"A sheet has at most {MOST_SHEET_ROWS:,} rows. Choose fewer days, or take CSV or XES."
            )
        cells = []
        for cell in row:
            kept = WriteOnlyCell(
                sheet, ILLEGAL_CHARACTERS_RE.sub("", cell) if isinstance(cell, str) else cell
            )
            if isinstance(cell, str):
                kept.data_type = "s"
                kept.quotePrefix = cell != plain_cell(cell)
            cells.append(kept)
        sheet.append(cells)
    with tempfile.TemporaryFile() as file:
        book.save(file)
        file.seek(0)
        while chunk := file.read(CHUNK):
            yield chunk
