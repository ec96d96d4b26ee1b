import math

import pytest

from analytics.engine.trade import DRIVERS, PARTS, TRADE, TYPICAL, Component, PartDefault, defaults_for

STOCK = {
    "artwork", "load", "template", "print", "outgas", "laminate", "cut", "weed",
    "mask", "trim", "pack", "travel", "clean", "install", "approval",
    "media-delivery",
}  # fmt: skip


def test_every_stock_stage_kind_has_a_default_with_a_source():
    assert set(TRADE) == STOCK
    assert all(stage.source for stage in TRADE.values())


def test_every_formula_uses_known_drivers_and_gives_finite_minutes():
    for kind in TRADE:
        for part in PARTS:
            default = defaults_for(kind, part)
            if default.components:
                assert set(default.drivers) <= set(DRIVERS) == set(TYPICAL)
                assert 0 < default.minutes({}) < math.inf
                assert default.minutes(dict.fromkeys(DRIVERS, 0.0)) > 0
                assert default.minutes(dict.fromkeys(DRIVERS, 1e300)) < math.inf


def test_minutes_are_fixed_plus_rate_times_driver():
    default = PartDefault(
        "x", "hands_on", (Component("a", 4.0), Component("b", 1.0, 2.5, "area_m2")), 0.5, "", True
    )
    assert default.minutes({"area_m2": 2.0}) == 4.0 + 1.0 + 2.5 * 2.0


def test_each_layer_is_printed_over_the_whole_area():
    one, two = (defaults_for("print", "unattended").minutes({"area_m2": 3.0, "layers": n}) for n in (1, 2))
    assert two - one == pytest.approx(3.0 * 5.0)


@pytest.mark.parametrize("missing", [{}, {"area_m2": math.nan}, {"area_m2": math.inf}])
def test_a_missing_driver_counts_as_its_typical_value_not_as_zero(missing):
    default = defaults_for("laminate", "hands_on")
    assert default.minutes(missing) == default.minutes({"area_m2": TYPICAL["area_m2"]})


def test_solvent_lies_for_a_day():
    # film maker's tip 40, arlon.com: 24 h minimum before contour cut and laminate
    default = defaults_for("outgas", "unattended")
    assert default.minutes({}) == 24 * 60
    assert "arlon" in default.source


def test_cutting_weeding_masking_and_applying_agree_in_order_of_magnitude_with_two_itemised_jobs():
    # SignCraft, "What's it cost…", 2019-06 and 2018-08: cut+weed+mask 28–54 min/m², apply 32–54 min/m²;
    # 46 ft² = 4.27 m²: 120 and 135 minutes. Two jobs say no more than the order of magnitude.
    drivers = {"area_m2": 4.27, "cut_m": 40.0, "panels": 4.0}
    making = sum(
        defaults_for(kind, part).minutes(drivers)
        for kind in ("cut", "weed", "mask")
        for part in PARTS
        if defaults_for(kind, part).components
    )
    assert 120 / 2 < making < 120 * 2
    assert 135 / 2 < defaults_for("install", "hands_on").minutes(drivers) < 135 * 2


def test_a_shops_own_stage_kind_has_no_formula_and_a_wide_spread():
    default = defaults_for("sandblast", "hands_on")
    assert default.components == ()
    assert default.sigma > max(TRADE[kind].sigma for kind in ("print", "cut", "install"))
    assert default.usual
    assert not defaults_for("sandblast", "unattended").usual
    with pytest.raises(ValueError, match="sandblast"):
        default.minutes({})
