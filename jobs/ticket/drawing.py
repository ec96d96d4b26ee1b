"""An item as a small drawing: its outline to scale between the edges of the roll. Pure."""

from __future__ import annotations

from dataclasses import dataclass

LEAST = 0.6  # units: thinner than that nothing is seen


@dataclass(frozen=True)
class Drawing:
    """An outline inside a box, y downwards, in the box's unit. edges: the roll's two edges as x1, y1, x2, y2."""

    x: float
    y: float
    width: float
    height: float
    edges: tuple[tuple[float, float, float, float], ...] = ()


def draw_item(
    width: float, height: float, roll: float | None, box: tuple[float, float], largest: float = 0.0
) -> Drawing:
    """The outline of an item (mm), upright as it is seen, and as large as roll and item fit the box together.

    roll: the film's width in mm, whose edges are drawn: upright ones, or level ones for an item that only fits
    across it when turned. None, or too narrow for it either way: no edges. largest: the greatest size in mm that
    an item without edges is compared with.
    """
    upright = roll is not None and width <= roll
    turned = roll is not None and not upright and height <= roll
    across, along = max(width, largest), max(height, largest)
    if roll is not None and upright:
        across, along = roll, height
    elif roll is not None and turned:
        across, along = width, roll
    scale = min(box[0] / across, box[1] / along)
    w, h = max(LEAST, width * scale), max(LEAST, height * scale)
    x, y = (box[0] - w) / 2, (box[1] - h) / 2
    edges: tuple[tuple[float, float, float, float], ...] = ()
    if roll is not None and (upright or turned):
        half = roll * scale / 2
        middle = (box[0] if upright else box[1]) / 2
        ends = [(middle - half), (middle + half)]
        edges = tuple((at, 0.0, at, box[1]) if upright else (0.0, at, box[0], at) for at in ends)
    return Drawing(x, y, w, h, edges)
