"""CSV (RFC 4180), UTF-8 with or without a byte order mark; also with semicolons or tabs between the fields."""

from __future__ import annotations

import csv
import io

from jobs.importing.problems import BadFile, Problem
from jobs.importing.table import RawRow, Table, checked_header, row_of, table_of

DELIMITERS = ",;\t"


def read_csv(content: bytes) -> Table:
    """The table in a CSV file. Raises BadFile for another encoding, an empty file or a header that will not do."""
    text = decoded(content)
    lines = csv.reader(io.StringIO(text, newline=""), delimiter=_delimiter(text), strict=True)
    columns: tuple[str, ...] = ()
    made: list[RawRow | Problem] = []
    line = 1
    try:
        for cells in lines:
            place, line = f"line {line}", lines.line_num + 1
            if not any(cell.strip() for cell in cells):
                continue
            if columns:
                made.append(row_of(columns, cells, place))
            else:
                columns = checked_header(cells, place)
    except csv.Error as error:
        raise BadFile(
            f"line {lines.line_num}: this is not a CSV file that can be read ({error}). A quoted field must be "
            "closed, and a quote inside it doubled."
        ) from error
    return table_of(columns, made)


def decoded(content: bytes) -> str:
    """The file's text. Raises BadFile if it is empty or not UTF-8."""
    if not content.strip():
        raise BadFile("The file is empty. Its first row must name the columns.")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise BadFile(
            f"line {line}: the file is not UTF-8 text (byte {error.start + 1:,} is {content[error.start]:#04x}). "
            "Save it as 'CSV UTF-8' and import it again."
        ) from error
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        raise BadFile(
            f"line {line}: there is a NUL character, so this is not a text file. Save it as CSV UTF-8."
        )
    return text


def _delimiter(text: str) -> str:
    """What stands between the fields of the first row that is not blank."""
    header = next(line for line in text.splitlines() if line.strip())
    return max(DELIMITERS, key=header.count)
