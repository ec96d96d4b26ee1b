"""A job's drivers, added up by hand, and the sizes that are refused."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from jobs.drivers import MARGIN_MM, OVERLAP_MM, ItemSize, categories_of, check_items, drivers_of, panels
from shop.errors import BadInput
from shop.models import InkBuild

# The international inch is 25.4 mm exactly (international yard and pound agreement of 1959; from memory).
INCH = 25.4


def test_drivers_of_two_items_are_those_added_by_hand():
    items = [
        ItemSize(2000, 500, 3),  # 1 m² each, outline 5 m each
        ItemSize(100, 100, 50, cut_m=0.314, ink_build=InkBuild.WHITE_COLOUR),  # 0.01 m² each
    ]
    assert drivers_of(items, {}, {}) == pytest.approx(
        {
            "area_m2": 3.0 + 0.5,
            "cut_m": 15.0 + 15.7,
            "pieces": 53,
            "panels": 53,
            "layers": 2,
            "passes": 1,
        }
    )


def test_a_sign_of_48_by_24_inches_is_eight_square_feet():
    drivers = drivers_of([ItemSize(48 * INCH, 24 * INCH)], {}, {})
    square_foot = (12 * INCH / 1000) ** 2
    assert drivers["area_m2"] == pytest.approx(8 * square_foot)
    assert drivers["cut_m"] == pytest.approx(2 * (48 + 24) * INCH / 1000)


def test_unknown_drivers_are_absent_and_the_stages_own_count_over_the_jobs():
    assert drivers_of([], {}, {}) == {}
    job = {"height_m": 4, "panels": 6, "surface": "render", "area_m2": 2.0}
    assert drivers_of([], job, {"panels": 2}) == {"height_m": 4.0, "panels": 2.0, "area_m2": 2.0}
    assert categories_of(job, {"surface": "brick"}) == {"surface": "brick"}


def test_small_letters_share_is_of_the_cut_path_of_pieces_with_letters_of_25_mm_or_less():
    items = [
        ItemSize(400, 100, 10, letter_mm=25),  # outline 1 m each: 10 m of small letters
        ItemSize(900, 100, 5, letter_mm=25.1),  # 10 m
        ItemSize(500, 500, 10, cut_m=2),  # 20 m without letters
    ]
    assert drivers_of(items, {}, {})["small_share"] == pytest.approx(10 / 40)
    assert "small_share" not in drivers_of(items[2:], {}, {})
    assert drivers_of(items[1:], {}, {})["small_share"] == 0.0
    assert drivers_of(items, {}, {"small_share": 0.9})["small_share"] == 0.9
    uncut = [ItemSize(100, 100, 3, cut_m=0, letter_mm=10), ItemSize(100, 100, 1, cut_m=0)]
    assert drivers_of(uncut, {}, {})["small_share"] == pytest.approx(3 / 4)


def test_an_item_without_ink_has_no_layers():
    assert drivers_of([ItemSize(10, 10, ink_build=InkBuild.NONE)], {}, {})["layers"] == 0


@pytest.mark.parametrize(
    ("item", "field", "says"),
    [
        (ItemSize(-5, 100, name="door"), "items.1.width_mm", "Item 2 (door): its width is -5 mm"),
        (ItemSize(100, 0), "items.1.height_mm", "its height is 0 mm"),
        (ItemSize(float("nan"), 100), "items.1.width_mm", "nan"),
        (ItemSize(100, 2e6), "items.1.height_mm", "Check the unit"),
        (ItemSize(100, 100, 0), "items.1.count", "0 pieces"),
        (ItemSize(100, 100, cut_m=-1), "items.1.cut_m", "leave it empty"),
        (ItemSize(100, 80, letter_mm=0), "items.1.letter_mm", "letters 0 mm high. Give from 0.1 mm"),
        (ItemSize(80, 100, letter_mm=101), "items.1.letter_mm", "the item's own 100 mm"),
        (ItemSize(100, 100, letter_mm=float("nan")), "items.1.letter_mm", "letters nan"),
        (ItemSize(100, 100, ink_build="gold"), "items.1.ink_build", "'gold'"),
    ],
)
def test_a_size_that_makes_no_sense_is_refused_by_item_and_field(item, field, says):
    with pytest.raises(BadInput) as refused:
        check_items([ItemSize(100, 100), item])
    assert refused.value.field == field
    assert says in refused.value.message


def test_an_item_wider_than_any_roll_is_refused_with_the_panels_that_would_do():
    # 1370 mm less 10 mm on each side leaves 1350: (3000 − 10) / (1350 − 10) = 2.2, so three panels,
    # and (3000 + 2 × 10) / 3 = 1006.7 mm each.
    with pytest.raises(BadInput, match=r"Item 1 \(wall\) is 3,000 mm × 2,000 mm") as refused:
        check_items([ItemSize(3000, 2000, name="wall")], [1220, 1370], [1600])
    assert "the widest roll is 1,370 mm" in refused.value.message
    assert "3 panels of 1,006.7 mm" in refused.value.message


def test_a_long_item_may_lie_along_the_roll():
    check_items([ItemSize(5000, 1350)], [1370], [1600])
    check_items([ItemSize(1350, 5000)], [1370], [])
    with pytest.raises(BadInput, match="film that a machine for it takes is 700 mm"):
        check_items([ItemSize(5000, 1350)], [1370], [700])


def test_nothing_is_too_wide_where_no_width_is_known():
    check_items([ItemSize(9000, 9000)])


@given(
    st.floats(1400, 50_000), st.floats(1400, 50_000), st.integers(1, 9), st.sampled_from([700, 1220, 1370.0])
)
def test_panels_fit_the_roll_and_cover_the_item(width, height, count, roll):
    split = panels(ItemSize(width, height, count, cut_m=7.0), roll)
    check_items([split], [roll])
    each = split.count // count
    assert split.count % count == 0
    assert each * split.width_mm - (each - 1) * OVERLAP_MM >= width - 1e-6
    assert (each - 1) * (roll - 2 * MARGIN_MM) - (each - 2) * OVERLAP_MM < width  # one fewer would not do
    assert split.cut_m * split.count == pytest.approx(7.0 * count)
