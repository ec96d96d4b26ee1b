"""How much film a set of graphics takes: rectangles on shelves across a roll of one width.

First fit by decreasing height (Coffman, Garey, Johnson and Tarjan, SIAM J. Comput. 9 (1980) 808-826: at most
1.7 times the shortest length plus one tallest piece, pieces not turned). It is run with the pieces lying,
standing and as given, and the shortest of the three is taken.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

# Common practice, no source: about 50 mm at the head of a print against head strikes, about 50 mm more for the
# cutter to take hold; 10 mm between pieces for bleed and the blade.
LEAD_IN_MM = 50.0
TRAILING_MM = 50.0
GAP_MM = 10.0


class TooWide(ValueError):
    """A piece is wider than the roll whichever way it lies; `index` is its place in the list."""

    def __init__(self, index: int, width: float, height: float, roll_width: float) -> None:
        super().__init__(f"A piece of {width:g} × {height:g} mm is wider than the roll of {roll_width:g} mm.")
        self.index = index


@dataclass(frozen=True)
class Piece:
    """A rectangle to be made `count` times: mm across, mm along."""

    width: float
    height: float
    count: int = 1


@dataclass(frozen=True)
class Place:
    """Where one copy lies: mm from the roll's edge and from its start; `turned` by a quarter."""

    piece: int
    x: float
    y: float
    width: float
    height: float
    turned: bool


@dataclass(frozen=True)
class Layout:
    """Placed copies, and the film used with its margins, mm."""

    places: tuple[Place, ...]
    length: float
    roll_width: float

    @property
    def fill(self) -> float:
        """Share of the film that carries graphics, 0..1."""
        used = sum(place.width * place.height for place in self.places)
        return used / (self.length * self.roll_width) if self.length else 0.0


@dataclass
class _Shelf:
    y: float
    height: float
    x: float


def lay_out(
    pieces: Sequence[Piece],
    roll_width: float,
    *,
    gap: float = GAP_MM,
    lead_in: float = LEAD_IN_MM,
    trailing: float = TRAILING_MM,
) -> Layout:
    """Place every copy of every piece on a roll `roll_width` mm wide.

    Raises:
        TooWide: a piece fits neither way round.

    """
    for index, piece in enumerate(pieces):
        if min(piece.width, piece.height) > roll_width:
            raise TooWide(index, piece.width, piece.height, roll_width)
    if not pieces:
        return Layout((), 0.0, roll_width)
    turns: tuple[Callable[[Piece], bool], ...] = (
        lambda piece: piece.width > roll_width,  # as given, where it fits
        lambda piece: (
            piece.width > roll_width or piece.width < piece.height <= roll_width
        ),  # lying: the long side across
        lambda piece: piece.width > piece.height or piece.width > roll_width,  # standing: the long side along
    )
    tries = [_shelves(pieces, roll_width, turn, gap, lead_in) for turn in turns]
    places, end = min(tries, key=lambda result: result[1])
    return Layout(tuple(places), end + trailing, roll_width)


def _shelves(
    pieces: Sequence[Piece], roll_width: float, turn: Callable[[Piece], bool], gap: float, lead_in: float
) -> tuple[list[Place], float]:
    """First fit by decreasing height; the places and the end of the last shelf, mm."""
    copies = []
    for index, piece in enumerate(pieces):
        turned = turn(piece)
        size = (piece.height, piece.width) if turned else (piece.width, piece.height)
        copies += [(size[1], size[0], index, turned)] * piece.count
    copies.sort(key=lambda copy: (-copy[0], -copy[1], copy[2]))
    shelves: list[_Shelf] = []
    places = []
    end = lead_in
    for height, width, index, turned in copies:
        shelf = next((s for s in shelves if s.x + width <= roll_width), None)
        if shelf is None:
            shelf = _Shelf(end + (gap if shelves else 0.0), height, 0.0)
            shelves.append(shelf)
            end = shelf.y + height
        places.append(Place(index, shelf.x, shelf.y, width, height, turned))
        shelf.x += width + gap
    return places, end
