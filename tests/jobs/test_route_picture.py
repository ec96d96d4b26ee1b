"""Where the boxes and arrows of a route lie."""

import itertools
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from jobs.pictures.route import BOX, GAP, PAD, Node, draw_route
from jobs.routes import Link

ROUTES = st.integers(1, 9).flatmap(
    lambda n: st.tuples(
        st.just(n),
        st.sets(st.sampled_from([(a, b) for a in range(n) for b in range(a + 1, n)] or [(0, 0)])),
    )
)


def picture_of(n: int, pairs: set[tuple[int, int]]):
    links = [Link(a, b) for a, b in pairs if a != b]
    return draw_route([Node(i, f"Stage {i}") for i in range(n)], links), links


def points_of(arrow) -> list[tuple[float, float]]:
    """Start, bends and end of an arrow: the last point of each path command."""
    commands = re.findall(r"[MLC]([^MLC]+)", arrow.path)
    numbers = [[float(v) for v in command.split()] for command in commands]
    return [(values[-2], values[-1]) for values in numbers]


@given(ROUTES)
def test_boxes_lie_apart_and_inside_the_picture(route):
    picture, _ = picture_of(*route)
    for box in picture.boxes:
        assert box.x >= PAD
        assert box.x + box.width <= picture.width - PAD
        assert box.y >= PAD
        assert box.y + box.height <= picture.height - PAD
    for a, b in itertools.combinations(picture.boxes, 2):
        assert abs(a.x - b.x) >= BOX[0] or abs(a.y - b.y) >= BOX[1]


@given(ROUTES)
def test_every_arrow_leads_forward_and_through_no_box(route):
    picture, links = picture_of(*route)
    assert {(arrow.before, arrow.after) for arrow in picture.arrows} == {
        (e.before_id, e.after_id) for e in links
    }
    for arrow in picture.arrows:
        points = points_of(arrow)
        along = [point[1] for point in points]
        assert along == sorted(along)
        for (x0, y0), (x1, y1) in itertools.pairwise(points):
            # Curves bend between two rows of boxes, where there are none; straight ones pass beside boxes.
            middle = ((x0 + x1) / 2, (y0 + y1) / 2)
            for box in picture.boxes:
                inside_x = box.x < middle[0] < box.x + box.width
                inside_y = box.y < middle[1] < box.y + box.height
                assert not (inside_x and inside_y)


def test_a_branch_stands_beside_the_main_line():
    nodes = [Node(1, "Print"), Node(2, "Cut"), Node(3, "Template"), Node(4, "Weed"), Node(5, "Install")]
    links = [Link(1, 2), Link(1, 3, "attended"), Link(2, 4), Link(4, 5), Link(3, 5)]
    picture = draw_route(nodes, links)
    place = {box.key: (box.x, box.y) for box in picture.boxes}
    down = BOX[1] + GAP[1]
    assert [place[k][1] for k in (1, 2, 4, 5)] == [PAD + i * down for i in range(4)]
    assert {place[k][0] for k in (1, 2, 4, 5)} == {PAD}
    assert place[3] == (PAD + BOX[0] + GAP[0], PAD + down)
    assert next(a.kind for a in picture.arrows if a.after == 3) == "attended"


@pytest.mark.parametrize(
    ("label", "lines"),
    [
        ("Cut", ("Cut",)),
        ("Clean the surface again", ("Clean the surface", "again")),
        ("A stage with a name that has no end in sight at all", ("A stage with a", "name that has no …")),
    ],
)
def test_long_names_are_broken_over_two_lines(label, lines):
    assert draw_route([Node(1, label)], []).boxes[0].lines == lines


def test_an_empty_route_is_an_empty_picture():
    picture = draw_route([], [])
    assert (picture.boxes, picture.arrows) == ((), ())
