"""XLSX: the first sheet of a workbook, values only."""

from __future__ import annotations

import io
import zipfile
from datetime import date, datetime
from xml.etree.ElementTree import ParseError

import openpyxl
from defusedxml.common import DefusedXmlException
from openpyxl.utils.exceptions import InvalidFileException

from jobs.importing.problems import BadFile, Problem
from jobs.importing.table import RawRow, Table, checked_header, row_of, table_of

LARGEST_UNPACKED = 1 << 30
"""Bytes that a workbook may unpack to: a million rows need about a third of it."""


def read_xlsx(content: bytes) -> Table:
    """The table on a workbook's first sheet. Raises BadFile if it cannot be opened or its header will not do.

    Formulas give the value that was saved with them. openpyxl parses with defusedxml, so entities are refused.
    """
    _check_size(content)
    try:
        book = openpyxl.load_workbook(io.BytesIO(content), read_only=True, data_only=True)
        sheet = book.worksheets[0]
        made: list[RawRow | Problem] = []
        columns: tuple[str, ...] = ()
        for number, cells in enumerate(sheet.iter_rows(values_only=True), start=1):
            texts = _without_tail([cell_text(cell) for cell in cells], len(columns))
            if not any(texts):
                continue
            place = f"sheet {sheet.title}, row {number}"
            if columns:
                made.append(row_of(columns, texts, place))
            else:
                columns = checked_header(texts, place)
    except (
        InvalidFileException,
        zipfile.BadZipFile,
        DefusedXmlException,
        ParseError,
        KeyError,
        IndexError,
        ValueError,
        EOFError,
    ) as error:
        raise BadFile(
            f"This is not an XLSX workbook that can be read ({error}). Save it again, or as CSV."
        ) from error
    if not columns:
        raise BadFile("The workbook's first sheet is empty. Its first row must name the columns.")
    return table_of(columns, made)


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


def _check_size(content: bytes) -> None:
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            unpacked = sum(info.file_size for info in archive.infolist())
    except zipfile.BadZipFile as error:
        raise BadFile(
            "This is not an XLSX workbook (it is no zip archive). Save it again, or as CSV."
        ) from error
    if unpacked > LARGEST_UNPACKED:
        raise BadFile(
            f"The workbook unpacks to {unpacked / 1e9:.1f} GB, which is more than a log of stage times needs. "
            "Save the sheet as CSV and import that."
        )
