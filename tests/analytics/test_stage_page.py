"""The page of one kind of stage: mishaps counted by hand, holds as they lay, and what it says of nothing."""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse

from analytics.engine.durations import Observation, State, trouble_share, update
from analytics.engine.trade import PARTS
from analytics.pictures.records import elapsed_ticks, records_picture
from analytics.selectors.mishaps import pauses_of, redone_of, trouble_of
from analytics.selectors.models import learned_stages
from analytics.selectors.stage_kinds import Usual, kind_view, laws_of, lays_of, quantile_of
from analytics.services.learning import sweep_shop
from jobs.models import Cause, Stage, StageEdge, StageKind
from jobs.services.clock import fold_shop
from shop.models import Membership, Role, User
from tests.analytics.floor import QuayFloor, at

pytestmark = pytest.mark.django_db

NOW = at(12, 30)


@pytest.fixture
def floor() -> QuayFloor:
    return QuayFloor()


def kind_of(floor: QuayFloor, key: str) -> StageKind:
    return StageKind.objects.of(floor.shop).get(key=key)


def cause_of(floor: QuayFloor, key: str) -> Cause:
    return Cause.objects.of(floor.shop).get(key=key)


def torn(floor: QuayFloor, hour: float) -> Stage:
    """Cut for 20 minutes; weeded for 10, torn; cut again for 30; 26 more of weeding, all of it again."""
    cut = floor.stage("cut")
    weed = floor.stage("weed", cut.job)
    StageEdge.objects.create(shop=floor.shop, before=cut, after=weed)
    lifted = {"cause": cause_of(floor, "lifted"), "scrapped": 3, "wasted_m": 2.0}
    presses = (
        ("start", cut, 0, {}),
        ("finish", cut, 20, {}),
        ("start", weed, 20, {}),
        ("again", weed, 30, {"to_stage": cut, **lifted}),
        ("start", cut, 31, {}),
        ("finish", cut, 61, {}),
        ("start", weed, 61, {}),
        ("finish", weed, 86, {}),
    )
    for kind, stage, minute, more in presses:
        floor.press(kind, stage, at(hour) + timedelta(minutes=minute), **more)
    return cut


def test_remakes_are_counted_once_for_each_stage_with_where_they_began(floor: QuayFloor) -> None:
    torn(floor, 9)
    for n in range(3):
        floor.done(20, at(9, n + 1), "cut")
    cut, weed = (redone_of(kind_of(floor, key), NOW) for key in ("cut", "weed"))
    assert (cut.chance.seen, cut.chance.of, cut.begun_here, cut.begun_before) == (1, 4, 1, 0)
    assert cut.chance.mean == pytest.approx((0.05 * 10 + 1) / (10 + 4))
    assert cut.ratio == pytest.approx(30 / 20)
    (cause,) = cut.causes
    assert (cause.cause, cause.times, cause.scrapped, cause.wasted_m) == (
        cause_of(floor, "lifted"),
        1,
        3,
        2.0,
    )
    assert cause.minutes == pytest.approx(30 + 26)
    assert (weed.chance.seen, weed.chance.of, weed.begun_here, weed.begun_before) == (1, 1, 0, 1)
    assert weed.ratio == pytest.approx(26 / 10)
    assert not weed.causes


def test_pauses_are_added_up_by_cause_over_the_finished_stages(floor: QuayFloor) -> None:
    stage = floor.stage("weed")
    jam, fetch = cause_of(floor, "jam"), cause_of(floor, "fetch-material")
    for kind, minute, more in (
        ("start", 0, {}),
        ("pause", 10, {"cause": jam}),
        ("resume", 16, {}),
        ("pause", 20, {"cause": jam}),
        ("resume", 24, {}),
        ("pause", 30, {"cause": fetch}),
        ("resume", 33, {}),
        ("finish", 40, {}),
    ):
        floor.press(kind, stage, at(9) + timedelta(minutes=minute), **more)
    floor.done(20, at(11), "weed")
    found = pauses_of(kind_of(floor, "weed"), NOW)
    assert [(one.cause, one.times, one.total, one.usual) for one in found.causes] == [
        (jam.name, 2, 10.0, 5.0),
        (fetch.name, 1, 3.0, 3.0),
    ]
    assert (found.of, found.stages, found.per_stage) == (2, 1, 6.5)


def test_the_chance_of_trouble_is_the_models_own_share(floor: QuayFloor) -> None:
    floor.practised("weed")
    sweep_shop(floor.shop)
    state = learned_stages(floor.shop).state("weed", "hands_on")
    found = trouble_of(state)
    assert found.mean == pytest.approx(trouble_share(state))
    assert found.low < found.mean < found.high
    assert found.of == pytest.approx(12, abs=1)


def printed_and_laid(floor: QuayFloor, day: int, hours: float) -> Stage:
    """A print finished at 10:00 that must lie for 24 hours, and is cut so many hours after."""
    prints = floor.stage("print")
    lies, cut = (floor.stage(key, prints.job) for key in ("outgas", "cut"))
    Stage.objects.filter(pk=lies.pk).update(hold_min=1440)
    for before, after in ((prints, lies), (lies, cut)):
        StageEdge.objects.create(shop=floor.shop, before=before, after=after)
    floor.press("start", prints, at(9, day))
    floor.press("finish", prints, at(10, day))
    floor.press("start", cut, at(10, day) + timedelta(hours=hours))
    floor.press("finish", cut, at(10.5, day) + timedelta(hours=hours))
    return lies


def test_prints_clocked_in_one_stand_beside_the_default_of_both_parts(floor: QuayFloor) -> None:
    """Setting it up takes 4 minutes; what the clock has is the whole print, machine and all."""
    seen = Observation(60.0, {"area_m2": 10.0, "layers": 1.0}, alone=0.0)
    states = {("print", part): State.empty("print", part) for part in PARTS}
    states["print", "hands_on"] = update(states["print", "hands_on"], seen)
    states["print", "unattended"] = update(states["print", "unattended"], replace(seen, minutes=0.0))
    known = replace(learned_stages(floor.shop), states=states, laws={})
    together, alone = laws_of(kind_of(floor, "print"), known, Usual(1, seen.drivers, ""))
    assert together.default_min == pytest.approx(4.0 + 3.0 + 5.0 * 10.0)
    assert (alone.p95, alone.default_min) == (0.0, None)


def test_a_hold_of_set_length_keeps_how_long_it_really_lay(floor: QuayFloor) -> None:
    for day, hours in ((0, 23.5), (2, 26), (7, 72)):
        printed_and_laid(floor, day, hours)
    fold_shop(floor.shop, announce=False)
    outgas = kind_of(floor, "outgas")
    assert [(lay.minutes / 60, lay.is_short) for lay in lays_of(outgas, NOW)] == [
        (72.0, False), (26.0, False), (23.5, True),
    ]  # fmt: skip
    view = kind_view(outgas, NOW)
    assert (view.is_set, view.short, view.finished) == (True, 1, 3)
    # What was really done does not shorten what is foreseen for a print.
    assert learned_stages(floor.shop).state("outgas", "unattended").n == 0


def test_a_print_that_lies_still_is_in_no_history(floor: QuayFloor) -> None:
    lies = printed_and_laid(floor, 0, 30)
    assert lays_of(kind_of(floor, "outgas"), at(12)) == []
    assert [lay.job for lay in lays_of(kind_of(floor, "outgas"), at(18, 1))] == [lies.job]


def test_quantiles_are_records_themselves() -> None:
    assert [quantile_of([4, 1, 3, 2, 5], p) for p in (0.1, 0.5, 0.8, 0.9)] == [1, 3, 4, 5]


def test_the_picture_stands_at_its_minutes_and_shares() -> None:
    picture = records_picture([60.0, 120.0, 240.0, 480.0], line=960.0)
    assert picture is not None
    scale = picture.width / (960 * 1.04)
    assert [dot.x for dot in picture.dots] == pytest.approx(
        [60 * scale, 120 * scale, 240 * scale, 480 * scale]
    )
    assert picture.line_x == pytest.approx(960 * scale)
    assert [one.word for one in picture.shares] == ["half", "8 in 10"]
    assert [one.x for one in picture.shares] == pytest.approx([120 * scale, 480 * scale])
    assert records_picture([]) is None


@pytest.mark.parametrize("longest", [3.0, 45.0, 500.0, 4000.0, 60_000.0, 3_000_000.0])
def test_an_axis_of_elapsed_time_has_words_that_fit(longest: float) -> None:
    ticks = elapsed_ticks(longest, 360.0)
    assert ticks[0].x == 0
    assert all(later.x - one.x >= 5.99 for one, later in itertools.pairwise(ticks))
    assert ticks[0].label == "0"
    assert ticks[-1].x <= 360
    words = [tick for tick in ticks if tick.label]
    assert all(one.x + 4 + 6.5 * len(one.label) <= later.x for one, later in itertools.pairwise(words))


@pytest.fixture
def viewer(floor: QuayFloor) -> Client:
    user = User.objects.create_user("viewer-quay")
    Membership.objects.create(user=user, shop=floor.shop, role=Role.VIEWER)
    client = Client()
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")
    return client


def test_every_kind_of_stage_has_a_page_before_anything_is_clocked(floor: QuayFloor, viewer: Client) -> None:
    for key in StageKind.objects.of(floor.shop).values_list("key", flat=True):
        page = viewer.get(reverse("analytics:stage-kind", args=[key])).content.decode()
        assert "None finished yet" in page, key
        assert ("at least 24 h" if key == "outgas" else "trade default") in page, key
        assert 'class="empty"' in page, key
    assert viewer.get(reverse("analytics:stage-kind", args=["none-such"])).status_code == 404


def test_the_page_says_what_was_learned_done_again_and_paused(floor: QuayFloor, viewer: Client) -> None:
    torn(floor, 9)
    floor.practised("cut")
    sweep_shop(floor.shop)
    page = viewer.get(reverse("analytics:stage-kind", args=["cut"])).content.decode()
    assert "13 clocked" in page
    assert "1 of 13 was done again at least once" in page
    assert "Lifted or torn when weeding" in page
    assert "1.5 times as long as what had been clean" in page
    assert (
        reverse("analytics:stage-kind", args=["cut"])
        in viewer.get(reverse("analytics:dashboard") + "?days=all").content.decode()
    )


def test_the_page_of_prints_that_lie_warns_of_those_taken_up_early(floor: QuayFloor, viewer: Client) -> None:
    printed_and_laid(floor, 0, 20)
    page = viewer.get(reverse("analytics:stage-kind", args=["outgas"])).content.decode()
    assert "1 of the last 1 was taken up before the set time" in page
    assert "a solvent print must be dry" in page
