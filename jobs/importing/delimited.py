"""CSV (RFC 4180), UTF-8 with or without a byte order mark; also with semicolons or tabs between the fields."""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Iterator

from jobs.importing.problems import BadFile
from jobs.importing.table import EMPTY, Line, Table, table_from

DELIMITERS = ",;\t"
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def read_csv(content: bytes) -> Table:
    """The table in a CSV file. Raises BadFile for another encoding, an empty file or a header that will not do."""
    return table_from(csv_lines(decoded(content)))


def csv_lines(text: str) -> Iterator[Line]:
    """Each record with its place, the line on which it begins. Raises BadFile for a quote that is not closed."""
    records = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter_of(text), strict=True)
    line = 1
    try:
        for cells in records:
            place, line = f"line {line}", records.line_num + 1
            yield place, [_without_apostrophe(cell) for cell in cells]
    except csv.Error as error:
        raise BadFile(
            f"line {records.line_num}: this is not a CSV file that can be read ({error}). A quoted field must be "
            "closed, and a quote inside it doubled."
        ) from error


def _without_apostrophe(cell: str) -> str:
    """A text whose apostrophe only keeps spreadsheets from taking it for a formula, without it."""
    return cell[1:] if cell.startswith("'") and cell[1:2] in _FORMULA else cell


def decoded(content: bytes) -> str:
    """The file's text. Raises BadFile if it is empty or not UTF-8."""
    if not content.strip():
        raise BadFile(EMPTY)
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


def decoded_loosely(content: bytes) -> tuple[str, str]:
    """The file's text, whatever the usual encodings; and what was assumed, empty for UTF-8. Raises BadFile.

    UTF-16 is known by its byte order mark or by its zero bytes. What is not UTF-8 either is taken for Windows-1252,
    of which Latin-1's letters are a part, and that can only be assumed.
    """
    if not content.strip():
        raise BadFile(EMPTY)
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) or b"\0" in content[:2]:
        return _utf16(content), "The file is UTF-16 text."
    try:
        return decoded(content), ""
    except BadFile:
        if b"\0" in content:
            raise
    return content.decode("cp1252", errors="replace"), (
        "The file is not UTF-8, so it was read as Western European text (Windows-1252, Latin-1). If names look wrong, "
        "save it as 'CSV UTF-8'."
    )


def _utf16(content: bytes) -> str:
    marked = content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    encoding = "utf-16" if marked else "utf-16-be" if content.startswith(b"\0") else "utf-16-le"
    try:
        text = content.decode(encoding)
    except UnicodeDecodeError as error:
        raise BadFile(
            "The file begins as UTF-16 text and does not go on as such. Save it as CSV UTF-8."
        ) from error
    if "\0" in text:
        raise BadFile("There are NUL characters, so this is not a text file. Save it as CSV UTF-8.")
    return text


def delimiter_of(text: str) -> str:
    """What stands between the fields of the first row that is not blank; a comma where there is none."""
    header = next((line for line in text.splitlines() if line.strip()), "")
    return max(DELIMITERS, key=header.count)
