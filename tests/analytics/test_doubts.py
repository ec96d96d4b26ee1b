"""Forgotten stops and clashes: what is asked, what is kept from the model, and until when."""

import random
import re
from datetime import timedelta
from uuid import uuid4

import pytest

from analytics.models import Sample
from analytics.selectors.doubts import doubts
from analytics.selectors.judging import BREAK, CLASH, FORGOTTEN, LEFT
from analytics.selectors.samples import CUT
from analytics.selectors.signs import taken_back
from analytics.services.learning import learn_shop, learn_stage, sweep_shop
from jobs.models import ClockEvent, Stage
from jobs.services.changes_stops import AddSitting
from jobs.services.corrections import correct
from tests.analytics.derived import learned_rows
from tests.analytics.floor import QuayFloor, at

pytestmark = pytest.mark.django_db

MINUTE = timedelta(minutes=1)


@pytest.fixture
def floor() -> QuayFloor:
    return QuayFloor()


def why(stage: Stage) -> str:
    learn_stage(stage.pk)
    sample = Sample.objects.get(stage=stage)
    assert sample.used == (not sample.why)
    return sample.why


def forgotten_until_something_else(floor: QuayFloor, hours: float = 4, day: int = 0) -> tuple[Stage, Stage]:
    """Ann weeds at nine and walks off; hours later she starts another stage, and somebody finishes the weeding."""
    weed, cut = floor.stage("weed"), floor.stage("cut")
    floor.press("start", weed, at(9, day))
    floor.press("start", cut, at(9 + hours, day))
    floor.press("finish", weed, at(9 + hours, day) + 2 * MINUTE, floor.ben)
    return weed, cut


def one_cutter_at_two_stages(floor: QuayFloor, day: int = 0) -> tuple[Stage, Stage]:
    """Ann's cutting is left open while Ben's is on the same machine; both are finished."""
    one, other = floor.stage("cut"), floor.stage("cut")
    floor.press("start", one, at(9, day), machine=floor.cutter)
    floor.press("start", other, at(9.5, day), floor.ben, machine=floor.cutter)
    floor.press("finish", other, at(10, day), floor.ben)
    floor.press("finish", one, at(11, day))
    return one, other


# Kept from the model.


def test_a_stretch_that_ran_far_too_long_until_something_else_began_is_not_learned_until_answered(floor):
    floor.practised()
    sweep_shop(floor.shop)
    weed, _ = forgotten_until_something_else(floor)
    assert why(weed) == LEFT
    floor.press("vouch", weed, at(15))
    assert why(weed) == ""


def test_leaving_a_stage_for_another_after_the_usual_time_is_no_doubt(floor):
    floor.practised()
    sweep_shop(floor.shop)
    weed, _ = forgotten_until_something_else(floor, hours=0.4)
    assert why(weed) == ""


def test_a_long_stage_that_was_finished_by_its_own_press_is_learned(floor):
    floor.practised()
    sweep_shop(floor.shop)
    assert why(floor.done(240, at(9))) == ""


def test_a_vouch_that_was_taken_back_vouches_for_nothing(floor):
    floor.practised()
    sweep_shop(floor.shop)
    weed, _ = forgotten_until_something_else(floor)
    vouch = floor.press("vouch", weed, at(15))
    floor.press("void", weed, at(15.1), corrects=vouch)
    assert why(weed) == LEFT


def test_of_two_corrections_of_one_press_the_one_made_last_counts_though_it_lies_earlier(floor):
    stage = floor.done(60, at(9))
    finish = ClockEvent.objects.get(stage=stage, kind="finish")
    first, last = (
        ClockEvent.objects.create(
            id=uuid4(),
            shop=floor.shop,
            stage=stage,
            kind="finish",
            at=when,
            device_at=when,
            received_at=made,
            corrects=finish.pk,
        )
        for when, made in ((at(9.8), at(11)), (at(9.5), at(12)))
    )
    assert taken_back(floor.shop, [finish, first, last]) == {finish.pk, first.pk}


def test_a_vouch_says_nothing_of_what_was_clocked_after_it(floor):
    floor.practised()
    sweep_shop(floor.shop)
    weed = floor.stage("weed")
    floor.press("start", weed, at(9))
    floor.press("vouch", weed, at(9.5))
    floor.press("start", floor.stage("cut"), at(13))
    floor.press("finish", weed, at(13.1), floor.ben)
    assert why(weed) == LEFT


def test_a_night_on_the_clock_can_be_vouched_for(floor):
    stage = floor.done(16 * 60, at(16.5))
    assert why(stage) == FORGOTTEN
    floor.press("vouch", stage, at(9, 1))
    assert why(stage) == ""


def test_a_break_in_a_stretch_that_is_too_long_is_a_sign():
    floor = QuayFloor(with_break=True)
    floor.practised()
    sweep_shop(floor.shop)
    assert why(floor.done(240, at(9))) == BREAK
    assert why(floor.done(25, at(11.8, 1))) == ""  # no whole break lies in it
    assert why(floor.done(50, at(11.8, 2))) == ""  # one does, and yet it is not too long to believe


def test_a_machine_run_left_open_beside_another_keeps_both_out_until_each_is_answered(floor):
    one, other = floor.stage("cut"), floor.stage("cut")
    floor.press("start", one, at(9), machine=floor.cutter)
    floor.press("start", other, at(9.5), floor.ben, machine=floor.cutter)
    floor.press("finish", other, at(10), floor.ben)
    learn_stage(other.pk)
    assert Sample.objects.get(stage=other).used  # the other is not finished: nothing to hold it against yet
    floor.press("finish", one, at(11))
    learn_stage(one.pk)
    assert set(Sample.objects.values_list("why", flat=True)) == {CLASH}
    floor.press("vouch", other, at(12))
    learn_stage(other.pk)
    assert dict(Sample.objects.values_list("stage", "why")) == {one.pk: CLASH, other.pk: ""}


def test_a_clash_that_is_no_more_lets_both_be_learned(floor):
    one, other = floor.stage("cut"), floor.stage("cut")
    floor.press("start", one, at(9), machine=floor.cutter)
    floor.press("start", other, at(9.5), floor.ben, machine=floor.cutter)
    finish = floor.press("finish", other, at(10), floor.ben)
    floor.press("finish", one, at(11))
    sweep_shop(floor.shop)
    assert set(Sample.objects.values_list("why", flat=True)) == {CLASH}
    floor.press("void", other, at(11.1), floor.ben, corrects=finish)
    sweep_shop(floor.shop)
    assert dict(Sample.objects.values_list("stage", "why")) == {one.pk: ""}


def test_work_done_again_is_no_clean_minute(floor):
    weed = floor.stage("weed")
    floor.press("start", weed, at(9))
    floor.press("finish", weed, at(9) + 20 * MINUTE)
    floor.press("again", weed, at(10))
    floor.press("start", weed, at(10))
    floor.press("finish", weed, at(11))
    learn_stage(weed.pk)
    assert Sample.objects.get(stage=weed).hands_on_min == pytest.approx(20)


def test_what_was_begun_again_before_it_was_finished_has_no_clean_time(floor):
    weed = floor.stage("weed")
    floor.press("start", weed, at(9))
    floor.press("again", weed, at(9) + 6 * MINUTE)
    floor.press("finish", weed, at(10))
    learn_stage(weed.pk)
    sample = Sample.objects.get(stage=weed)
    assert (sample.used, sample.why) == (False, CUT)
    assert sample.hands_on_min == pytest.approx(6)


@pytest.mark.parametrize("seed", range(2))
def test_judgements_do_not_hang_on_the_order_of_learning(floor, seed):
    """Long and short stages, some left for others, on one machine; learned as the news comes, then all in order."""
    rng = random.Random(seed)
    stages: list[Stage] = []
    for n in range(14):
        stage, other = floor.stage("weed"), floor.stage("mask")
        begins = at(8 + rng.random() * 4, n)
        ends = begins + timedelta(minutes=rng.choice([18, 19, 20, 21, 240]))
        machine = {"machine": floor.cutter} if rng.random() < 0.5 else {}
        floor.press("start", stage, begins, **machine)
        if rng.random() < 0.5:
            # Ann leaves her stage for it; Ben is on the machine beside her.
            who = rng.choice([floor.ann, floor.ben])
            floor.press("start", other, ends - 4 * MINUTE, who, **machine)
            floor.press("finish", other, ends + 5 * MINUTE, who)
        floor.press("finish", stage, ends + rng.choice([1, 3, 8]) * MINUTE)
        stages += [stage, other]
    sure = [forgotten_until_something_else(floor, day=40)[0], *one_cutter_at_two_stages(floor, day=41)]
    for stage in rng.sample(stages + sure, len(stages) + 3):
        learn_stage(stage.pk)
        if rng.random() < 0.03:
            floor.press("vouch", rng.choice(stages), at(20, 50))
    sweep_shop(floor.shop)
    one_by_one = learned_rows(floor.shop)
    assert {LEFT, CLASH} <= {row["why"] for row in one_by_one["Sample"]}
    learn_shop(floor.shop)
    assert learned_rows(floor.shop) == one_by_one
    assert sweep_shop(floor.shop) == 0


# Asked.


def test_nothing_is_asked_on_an_ordinary_day(floor):
    floor.practised()
    floor.done(20, at(9))
    floor.press("start", floor.stage("cut"), at(10))
    assert doubts(floor.shop, at(11)) == []


def test_at_closing_time_it_is_asked_who_will_stop(floor):
    stage = floor.stage("weed")
    floor.press("start", stage, at(15))
    assert doubts(floor.shop, at(16.8)) == []
    asked = doubts(floor.shop, at(16.9), floor.ann)
    assert [(one.about, one.stage, one.person, one.is_open) for one in asked] == [
        ("closing", stage, floor.ann, True)
    ]
    assert asked[0].why == "Weed runs, and the shop closes at 17:00."
    assert [one.at for one in asked[0].suggestions] == [at(17)]
    assert doubts(floor.shop, at(16.9), floor.ben) == []
    assert doubts(floor.shop, at(19))[0].why == "Weed still runs, and the shop closed at 17:00."


def test_who_says_that_it_still_runs_is_asked_no_more_that_evening_but_in_the_morning(floor):
    stage = floor.stage("weed")
    floor.press("start", stage, at(15))
    floor.press("vouch", stage, at(16.95))
    assert doubts(floor.shop, at(20)) == []
    asked = doubts(floor.shop, at(8.5, 1))
    assert [one.about for one in asked] == ["night"]
    assert asked[0].suggestions[0].at == at(17)


def test_somebody_who_begins_after_closing_is_not_asked_at_once(floor):
    floor.press("start", floor.stage("weed"), at(18))
    assert doubts(floor.shop, at(19)) == []


def test_at_the_next_start_it_is_asked_about_the_stretch_before(floor):
    floor.practised()
    sweep_shop(floor.shop)
    weed, cut = floor.stage("weed"), floor.stage("cut")
    floor.press("start", weed, at(9))
    assert doubts(floor.shop, at(12.9)) == []
    floor.press("start", cut, at(13))
    (asked,) = doubts(floor.shop, at(13), floor.ann)
    assert (asked.about, asked.stage, asked.starts_at, asked.ends_at) == ("long", weed, at(9), at(13))
    assert re.fullmatch(
        "Weed ran from 09:00 to 13:00: 4 h 00 min, until something else was begun. "
        r"It usually takes 1\d min to 2\d min in all\.",
        asked.why.replace("\N{NO-BREAK SPACE}", " "),
    )
    assert [one.what for one in asked.suggestions] == ["as it usually takes"]
    assert at(9) + 18 * MINUTE < asked.suggestions[0].at < at(9) + 40 * MINUTE
    floor.press("vouch", weed, at(13.1))
    assert doubts(floor.shop, at(13.2)) == []


def test_a_machine_on_two_stages_is_asked_about_while_it_lasts_and_after(floor):
    one, other = floor.stage("cut"), floor.stage("cut")
    floor.press("start", one, at(9), machine=floor.cutter)
    floor.press("start", other, at(9.5), floor.ben, machine=floor.cutter)
    asked = doubts(floor.shop, at(10))
    assert {(doubt.about, doubt.stage.pk, doubt.is_open) for doubt in asked} == {
        ("machine", one.pk, True),
        ("machine", other.pk, True),
    }
    first = next(doubt for doubt in asked if doubt.stage == one)
    assert first.why.startswith(f"Cutter was clocked on Cut and on Cut of job {other.job.number} at once")
    assert [suggestion.at for suggestion in first.suggestions] == [at(9.5)]
    floor.press("finish", one, at(10.5))
    floor.press("finish", other, at(11), floor.ben)
    assert {doubt.is_open for doubt in doubts(floor.shop, at(12))} == {False}


def test_a_press_that_comes_late_for_a_time_that_was_typed_up_is_asked_about(floor):
    """Ann's sheet says that she weeded from nine to ten; then her phone sends that she masked from half past nine."""
    weed, mask = floor.stage("weed"), floor.stage("mask")
    sitting = AddSitting(weed, at(9), at(10), person=floor.ann.pk, finished=True)
    correct(sitting.stage.job, sitting, reason="From a timed sheet", user=None, now=at(11))
    floor.press("start", mask, at(9.5))
    floor.press("finish", mask, at(10.5))
    assert (why(weed), why(mask)) == (CLASH, CLASH)
    asked = doubts(floor.shop, at(12))
    assert {(one.about, one.stage.pk, one.person) for one in asked} == {
        ("person", weed.pk, floor.ann),
        ("person", mask.pk, floor.ann),
    }
    assert "Ann was clocked on Weed and on Mask" in next(one.why for one in asked if one.stage == weed)
    for stage in (weed, mask):
        floor.press("vouch", stage, at(12))
        assert why(stage) == ""
    assert doubts(floor.shop, at(12)) == []


def test_what_is_too_long_ago_to_remember_is_not_asked(floor):
    stage = floor.done(16 * 60, at(16.5))
    assert [one.stage for one in doubts(floor.shop, at(9, 1))] == [stage]
    assert doubts(floor.shop, at(9, 40)) == []


def test_one_shop_is_not_asked_about_another(floor):
    hill = QuayFloor(slug="hill")
    floor.press("start", floor.stage("weed"), at(15))
    assert doubts(hill.shop, at(18)) == []
