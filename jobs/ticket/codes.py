"""The codes of a ticket as plain shapes, drawn alike on the page and in the PDF. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import segno
from reportlab.graphics.barcode.code128 import Code128

QUIET_QR = 4  # modules left white on each side of a QR code: ISO/IEC 18004
QUIET_128 = 10  # modules left white at each end of a Code 128: ISO/IEC 15417


@dataclass(frozen=True)
class Code:
    """Dark rectangles (x, y, width, height) in modules, y downwards, on a white ground with its quiet zone."""

    width: int
    height: int
    dark: tuple[tuple[int, int, int, int], ...]

    @property
    def path(self) -> str:
        """The dark parts as the path of an SVG."""
        return "".join(f"M{x} {y}h{w}v{h}h-{w}z" for x, y, w, h in self.dark)


def qr_code(text: str) -> Code:
    """A QR code of the text, error correction M or better."""
    matrix = segno.make_qr(text, error="m").matrix
    dark = tuple(
        (start + QUIET_QR, y + QUIET_QR, length, 1)
        for y, row in enumerate(matrix)
        for start, length in _runs([bool(module) for module in row])
    )
    side = len(matrix) + 2 * QUIET_QR
    return Code(side, side, dark)


def code_128(text: str, height: int = 24) -> Code:
    """A Code 128 of ASCII text, `height` modules high. Raises ValueError for other text."""
    if not text.isascii() or not text.isprintable() or not text:
        raise ValueError(f"{text!r} cannot be written in Code 128.")
    x, dark = QUIET_128, []
    for width, is_bar in _widths(text):
        if is_bar:
            dark.append((x, 0, width, height))
        x += width
    return Code(x + QUIET_128, height, tuple(dark))


def code_128_values(text: str) -> list[int]:
    """The symbols' values: start, characters, check, stop."""
    return list(_encoded(text).encoded)


def _widths(text: str) -> list[tuple[int, bool]]:
    """Widths in modules, and whether each is a bar. The library writes bars as capitals, gaps as small letters."""
    letters = _encoded(text).decompose()
    return [(ord(letter.lower()) - ord("a") + 1, letter.isupper()) for letter in letters]


def _encoded(text: str) -> Any:
    code: Any = Code128(text)  # the library names no types
    code.validate()
    code.encode()
    return code


def _runs(row: list[bool]) -> list[tuple[int, int]]:
    """Start and length of each run of dark modules."""
    found: list[tuple[int, int]] = []
    for x, dark in enumerate(row):
        if dark and found and sum(found[-1]) == x:
            found[-1] = (found[-1][0], found[-1][1] + 1)
        elif dark:
            found.append((x, 1))
    return found
