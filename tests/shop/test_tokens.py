"""The colours of the pages, read from their style sheet.

Contrast: WCAG 2.2, success criteria 1.4.3 (text, 4.5:1) and 1.4.11 (edges of controls, 3:1), with the relative
luminance that it defines. Stage colours: Okabe and Ito, Color Universal Design (2008).
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import shop

SHEET = (Path(shop.__file__).parent / "static/shop/css/tokens.css").read_text(encoding="utf-8")
OKABE_ITO = {"#000000", "#e69f00", "#56b4e9", "#009e73", "#f0e442", "#0072b2", "#d55e00", "#cc79a7"}


def tokens(opening: str) -> dict[str, str]:
    block = SHEET[SHEET.index(opening) :]
    return dict(re.findall(r"--([\w-]+):\s*(#[0-9a-f]{6})", block[: block.index("}")]))


LIGHT = tokens(":root {")
THEMES = {"light": LIGHT, "dark": {**LIGHT, **tokens(':root[data-theme="dark"]')}}

GROUNDS = ("ground", "surface", "sunk")
TEXTS = [
    (ink, ground) for ink in ("ink", "ink-soft", "accent", "accent-strong", "wrong") for ground in GROUNDS
]
TEXTS += [("on-accent", "accent"), ("on-accent", "accent-strong"), ("on-wrong", "wrong"), ("ground", "ink")]
TEXTS += [(ink, f"{wash}-wash") for ink in ("ink", "accent", "wrong") for wash in ("accent", "care", "wrong")]
TEXTS += [("steel-ink", "steel"), *((f"on-stage-{i}", f"stage-{i}") for i in range(8))]
EDGES = [(edge, ground) for edge in ("edge", "accent", "wrong", "care") for ground in GROUNDS]


def luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    dark, bright = sorted((luminance(one), luminance(other)))
    return (bright + 0.05) / (dark + 0.05)


def test_black_on_white_has_the_contrast_that_the_guideline_names() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)


def test_the_two_greys_on_either_side_of_the_bound() -> None:
    """WCAG's own understanding pages: on white #767676 is the lightest grey that passes, #777777 fails."""
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)


@pytest.mark.parametrize("theme", THEMES)
def test_text_can_be_read_on_every_ground_that_it_stands_on(theme: str) -> None:
    named = THEMES[theme]
    faint = {(a, b): contrast(named[a], named[b]) for a, b in TEXTS}
    assert {pair: ratio for pair, ratio in faint.items() if ratio < 4.5} == {}


@pytest.mark.parametrize("theme", THEMES)
def test_edges_of_controls_stand_out(theme: str) -> None:
    named = THEMES[theme]
    faint = {(a, b): contrast(named[a], named[b]) for a, b in EDGES}
    assert {pair: ratio for pair, ratio in faint.items() if ratio < 3} == {}


def test_stage_colours_are_the_published_palette() -> None:
    assert {LIGHT[f"stage-{i}"] for i in range(8)} == OKABE_ITO


def test_the_device_and_the_reader_choose_the_same_dark() -> None:
    assert tokens(':root:not([data-theme="light"])') == tokens(':root[data-theme="dark"]')
