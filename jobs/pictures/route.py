"""A route as a picture: where its boxes and arrows lie. Pure; the template only draws.

It runs downwards, so that it fits a phone. Stages stand at their depth, the longest way from a beginning; those
of one depth stand side by side in lanes.
An arrow over several depths keeps to a lane that is free all the way, so that it crosses no box.
"""

from __future__ import annotations

import itertools
import textwrap
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from jobs.routes import EdgeLike, depths, topological_order

BOX = (148.0, 52.0)  # px
GAP = (28.0, 30.0)  # px between boxes: across, down
PAD = 4.0  # px
HEAD = (9.0, 8.0)  # px: an arrow's head
LINE_CHARS = 18


@dataclass(frozen=True)
class Node:
    """A stage to be drawn. state: picks its fill; note: the line under its name."""

    key: int
    label: str
    note: str = ""
    state: str = ""


@dataclass(frozen=True)
class Box:
    """A stage as it lies in the picture, in px."""

    key: int
    x: float
    y: float
    lines: tuple[str, ...]
    note: str
    state: str
    width: float = BOX[0]
    height: float = BOX[1]

    @property
    def text_x(self) -> float:
        """Where its text stands, centred."""
        return self.x + self.width / 2

    @property
    def lines_at(self) -> list[tuple[float, str]]:
        """Baseline and text of each line of its name."""
        first = self.y + (21 if self.note else 31) if len(self.lines) == 1 else self.y + 17
        return [(first + 15 * i, line) for i, line in enumerate(self.lines)]

    @property
    def note_y(self) -> float:
        """Baseline of its note."""
        return self.y + (40 if len(self.lines) == 1 else 46)


@dataclass(frozen=True)
class Arrow:
    """An arrow as an SVG path and its head as an SVG polygon."""

    before: int
    after: int
    path: str
    head: str
    kind: str


@dataclass(frozen=True)
class Picture:
    """A whole route, in px."""

    width: float
    height: float
    boxes: tuple[Box, ...]
    arrows: tuple[Arrow, ...]

    @property
    def has_broken(self) -> bool:
        """Whether an arrow is drawn broken: its later stage may begin while the earlier one runs alone."""
        return any(arrow.kind == "attended" for arrow in self.arrows)


@dataclass(frozen=True)
class _Places:
    """Depth and lane of each stage, and for each arrow the lane that it keeps to between the two."""

    depth: dict[int, int]
    lane: dict[int, int]
    between: dict[tuple[int, int], int]


def draw_route(nodes: Sequence[Node], links: Collection[EdgeLike]) -> Picture:
    """The picture of a route, which must have no circle."""
    places = _places([node.key for node in nodes], links)
    boxes = tuple(_box(node, places) for node in nodes)
    by_key = {box.key: box for box in boxes}
    arrows = tuple(
        _arrow(link, by_key, places)
        for link in sorted(links, key=lambda e: (e.before_id, e.after_id, e.kind))
    )
    lanes = 1 + max([*places.lane.values(), *places.between.values()], default=0)
    levels = 1 + max(places.depth.values(), default=0)
    return Picture(
        width=2 * PAD + lanes * BOX[0] + (lanes - 1) * GAP[0],
        height=2 * PAD + levels * BOX[1] + (levels - 1) * GAP[1],
        boxes=boxes,
        arrows=arrows,
    )


def _places(keys: Sequence[int], links: Collection[EdgeLike]) -> _Places:
    depth = depths(keys, links)
    lane: dict[int, int] = {}
    taken: set[tuple[int, int]] = set()  # (depth, lane)
    before: dict[int, list[int]] = {key: [] for key in keys}
    for link in links:
        before[link.after_id].append(link.before_id)
    for key in sorted(topological_order(keys, links), key=depth.__getitem__):
        wanted = min((lane[b] for b in before[key]), default=0)
        lane[key] = next(n for n in _from(wanted) if (depth[key], n) not in taken)
        taken.add((depth[key], lane[key]))
    between: dict[tuple[int, int], int] = {}
    for link in sorted(links, key=lambda e: (depth[e.after_id] - depth[e.before_id], e.before_id)):
        levels = range(depth[link.before_id] + 1, depth[link.after_id])
        pair = (link.before_id, link.after_id)
        if levels and pair not in between:
            free = (n for n in _from(lane[link.before_id]) if not any((d, n) in taken for d in levels))
            between[pair] = next(free)
            taken.update((d, between[pair]) for d in levels)
    return _Places(depth, lane, between)


def _from(lane: int) -> list[int]:
    """Lanes to try: this one, then outwards."""
    return [lane, *range(lane + 1, lane + 200), *range(lane - 1, -1, -1)]


def _corner(depth: int, lane: int) -> tuple[float, float]:
    return PAD + lane * (BOX[0] + GAP[0]), PAD + depth * (BOX[1] + GAP[1])


def _box(node: Node, places: _Places) -> Box:
    x, y = _corner(places.depth[node.key], places.lane[node.key])
    lines = textwrap.wrap(node.label, LINE_CHARS, max_lines=2, placeholder=" …") or [""]
    return Box(node.key, x, y, tuple(lines), node.note, node.state)


def _arrow(link: EdgeLike, boxes: dict[int, Box], places: _Places) -> Arrow:
    """From the middle of the one's lower side to that of the other's upper side, by the lane between."""
    start, end = boxes[link.before_id], boxes[link.after_id]
    x, y = end.text_x, end.y
    stops = [(start.text_x, start.y + start.height)]
    lane = places.between.get((link.before_id, link.after_id))
    if lane is not None:
        left, top = _corner(places.depth[link.before_id] + 1, lane)
        _, bottom = _corner(places.depth[link.after_id] - 1, lane)
        middle = left + BOX[0] / 2
        stops += [(middle, top), (middle, bottom + BOX[1])]
    stops.append((x, y - HEAD[1]))
    path = f"M{stops[0][0]:g} {stops[0][1]:g}" + "".join(_curve(a, b) for a, b in itertools.pairwise(stops))
    points = [(x, y), (x - HEAD[0] / 2, y - HEAD[1]), (x + HEAD[0] / 2, y - HEAD[1])]
    head = " ".join(f"{px:g},{py:g}" for px, py in points)
    return Arrow(link.before_id, link.after_id, path, head, link.kind)


def _curve(a: tuple[float, float], b: tuple[float, float]) -> str:
    """An SVG path segment from a to b that leaves and arrives upright."""
    if a[0] == b[0]:
        return f"L{b[0]:g} {b[1]:g}"
    middle = (a[1] + b[1]) / 2
    return f"C{a[0]:g} {middle:g} {b[0]:g} {middle:g} {b[0]:g} {b[1]:g}"
