"""The type of a printed ticket: two open fonts, embedded, and what neither of them has."""

from __future__ import annotations

import unicodedata
from functools import cache
from itertools import groupby
from pathlib import Path
from xml.sax.saxutils import escape

from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

FONTS = Path(__file__).parent / "fonts"
PLAIN, BOLD = "Hyperlegible", "Hyperlegible-Bold"
SECOND = {PLAIN: "Wide", BOLD: "Wide-Bold"}  # has the letters that the first lacks
FILES = {
    PLAIN: "AtkinsonHyperlegible-Regular.ttf",
    BOLD: "AtkinsonHyperlegible-Bold.ttf",
    SECOND[PLAIN]: "DejaVuSans.ttf",
    SECOND[BOLD]: "DejaVuSans-Bold.ttf",
}
STAND_IN = "?"


class Typesetter:
    """Turns text into a paragraph's mark-up, each letter in a font that has it; remembers those that none has."""

    def __init__(self) -> None:
        self.missing: set[str] = set()

    def __call__(self, text: object, *, bold: bool = False) -> str:
        """The mark-up of a text; lines stay lines."""
        font = BOLD if bold else PLAIN
        lines = unicodedata.normalize("NFC", str(text)).splitlines()
        return "<br/>".join(self._line(line, font) for line in lines)

    def _line(self, line: str, font: str) -> str:
        letters = [" " if letter == "\t" else letter for letter in line if _is_seen(letter)]
        runs = groupby(letters, key=lambda letter: self._font(letter, font))
        return "".join(self._run(name, "".join(run), font) for name, run in runs)

    def _font(self, letter: str, font: str) -> str:
        for name in (font, SECOND[font]):
            if ord(letter) in _letters(name):
                return name
        self.missing.add(letter)
        return ""

    @staticmethod
    def _run(name: str, letters: str, font: str) -> str:
        text = escape(letters) if name else STAND_IN * len(letters)
        return f'<font name="{name or font}">{text}</font>'

    @property
    def missing_words(self) -> str:
        """The scripts of the missing letters: 'Arabic, Hebrew'; empty where all can be printed."""
        scripts = {unicodedata.name(letter, "other signs").split()[0].capitalize() for letter in self.missing}
        return ", ".join(sorted("Chinese characters" if each == "Cjk" else each for each in scripts))


def _is_seen(letter: str) -> bool:
    """Not a control or a joiner, which would be drawn as a box."""
    return unicodedata.category(letter) not in ("Cc", "Cf") or letter == "\t"


@cache
def _letters(name: str) -> frozenset[int]:
    """The characters of a font, which is registered with the library on the way."""
    font = TTFont(name, FONTS / FILES[name])
    pdfmetrics.registerFont(font)
    return frozenset(font.face.charToGlyph)


def fonts_ready() -> None:
    """Let the library know all the fonts."""
    for name in FILES:
        _letters(name)
