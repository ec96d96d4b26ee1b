import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from analytics.engine.layout import Layout, Piece, TooWide, lay_out

PIECES = st.lists(
    st.builds(
        Piece,
        st.floats(10, 1300, allow_nan=False),
        st.floats(10, 1300, allow_nan=False),
        st.integers(1, 6),
    ),
    min_size=1,
    max_size=8,
)


def _overlap(layout: Layout) -> bool:
    places = layout.places
    return any(
        a.x < b.x + b.width and b.x < a.x + a.width and a.y < b.y + b.height and b.y < a.y + a.height
        for i, a in enumerate(places)
        for b in places[i + 1 :]
    )


def test_hand_added_case():
    # 4 pieces of 600 x 500 on 1370: two a shelf, so two shelves of 500 with one gap, and both margins.
    # Standing they would take two shelves of 600.
    layout = lay_out([Piece(600, 500, 4)], 1370)
    assert layout.length == 50 + 500 + 10 + 500 + 50


def test_a_banner_wider_than_the_roll_is_turned_along_it():
    layout = lay_out([Piece(3000, 800)], 1370)
    assert layout.places[0].turned
    assert layout.length == 50 + 3000 + 50


def test_a_piece_wider_than_the_roll_both_ways_is_named():
    with pytest.raises(TooWide, match="2000 × 1500 mm is wider than the roll of 1370 mm") as caught:
        lay_out([Piece(100, 100), Piece(2000, 1500)], 1370)
    assert caught.value.index == 1


@given(PIECES)
def test_every_copy_lies_on_the_roll_and_none_overlap(pieces):
    layout = lay_out(pieces, 1370)
    assert len(layout.places) == sum(piece.count for piece in pieces)
    assert all(p.x >= 0 and p.x + p.width <= 1370 + 1e-9 for p in layout.places)
    assert all(p.y >= 50 and p.y + p.height <= layout.length - 50 + 1e-9 for p in layout.places)
    assert not _overlap(layout)


@given(PIECES)
@example([Piece(679, 679, 1), Piece(692, 692, 6)])
def test_length_keeps_the_published_bound_of_first_fit_by_decreasing_height(pieces):
    # Coffman, Garey, Johnson, Tarjan (1980), by area: a shelf and the first piece of the next do not fit side by
    # side, so the two hold more than the lower one's height times the width: length <= 2 area / width + tallest.
    upright = [Piece(min(p.width, 1370), p.height, p.count) for p in pieces]
    layout = lay_out(upright, 1370, gap=0, lead_in=0, trailing=0)
    area = sum(p.width * p.height * p.count for p in upright)
    tallest = max(p.height for p in upright)
    assert area / 1370 - 1e-6 <= layout.length
    assert layout.length <= 2 * area / 1370 + tallest + 1e-6


def test_fill_is_the_share_of_film_that_carries_graphics():
    assert lay_out([Piece(1370, 900)], 1370).fill == pytest.approx(0.9)


def test_no_pieces_take_no_film():
    assert lay_out([], 1370).length == 0
