"""XLSX: the first sheet of a workbook, values only."""

from __future__ import annotations

import io
import itertools
import zipfile
from collections.abc import Iterator
from datetime import date, datetime
from typing import Any

import openpyxl

from jobs.importing.problems import BadFile
from jobs.importing.table import Line, Table, table_from

LARGEST_UNPACKED = 1 << 30
"""Bytes that a workbook may unpack to: a million rows need about a third of it."""

MOST_CELLS = 50_000_000
"""Cells of a sheet, those too that stand empty before the last of a row."""


def read_xlsx(content: bytes) -> Table:
    """The table on a workbook's first sheet. Raises BadFile if it cannot be opened or its header will not do."""
    return xlsx_table(content)


def xlsx_table(content: bytes, *, largest: int = LARGEST_UNPACKED, **how: Any) -> Table:
    """`table_from` the first sheet's rows. largest: bytes that it may unpack to. how: as `table_from` takes them."""
    _check_size(content, largest)
    lines = xlsx_lines(content)
    first = next(lines, None)
    if first is None:
        raise BadFile("The workbook's first sheet is empty. Its first row must name the columns.")
    return table_from(itertools.chain([first], lines), **how)


def xlsx_lines(content: bytes) -> Iterator[Line]:
    """Each row of the first sheet that is not empty, as texts, filled up to the header's width. Raises BadFile.

    Formulas give the value that was saved with them. openpyxl parses with defusedxml, so entities are refused.
    """
    width = seen = 0
    try:
        sheet = openpyxl.load_workbook(io.BytesIO(content), read_only=True, data_only=True).worksheets[0]
        sheet.reset_dimensions()  # what a sheet says of its size need not be so
        for number, cells in enumerate(sheet.iter_rows(values_only=True), start=1):
            seen += len(cells)
            if seen > MOST_CELLS:
                raise BadFile(
                    f"The sheet has more than {MOST_CELLS:,} cells. Save it as CSV and bring in that."
                )
            texts = _without_tail([cell_text(cell) for cell in cells], width)
            if any(texts):
                width = width or len(texts)
                yield f"sheet {sheet.title}, row {number}", texts
    except BadFile:
        raise
    except Exception as error:  # whatever the library raises of a damaged file, or of a text document
        raise BadFile(
            f"This is not an XLSX workbook that can be read ({error}). Save it again, or as CSV."
        ) from error


def cell_text(cell: object) -> str:
    """A cell as text: instants as ISO 8601, whole numbers without a point."""
    if cell is None:
        return ""
    if isinstance(cell, datetime):
        return cell.isoformat()
    if isinstance(cell, date):
        return cell.isoformat()
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return str(cell).strip()


def _without_tail(texts: list[str], width: int) -> list[str]:
    """The row without the empty cells at its end that a sheet adds, or filled up to the header's width."""
    while len(texts) > width and not texts[-1]:
        texts.pop()
    return texts + [""] * (width - len(texts))


def _check_size(content: bytes, largest: int) -> None:
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            unpacked = sum(info.file_size for info in archive.infolist())
    except (zipfile.BadZipFile, NotImplementedError) as error:
        raise BadFile(
            "This is not an XLSX workbook (it is no zip archive). Save it again, or as CSV."
        ) from error
    if unpacked > largest:
        raise BadFile(
            f"The workbook unpacks to {unpacked / 1e9:.1f} GB, which is more than a log of stage times needs. "
            "Save the sheet as CSV and import that."
        )
