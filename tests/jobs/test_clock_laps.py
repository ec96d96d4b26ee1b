"""Laps, work done again, and what somebody vouches for. Durations below are added up by hand."""

from __future__ import annotations

import pytest

from jobs.clock import Facts, HoldFact, StageFold, fold
from tests.jobs.clocking import (
    BEN,
    CUT,
    CUTTER,
    FACTS,
    LIE,
    LOAD,
    LUNCH,
    MOUNT,
    OTHER_WORK,
    PRINT,
    PRINTER,
    RUN,
    TEMPLATE,
    WEED,
    at,
    laps,
    marked,
    tap,
)  # fmt: skip

# Laps


def test_laps_lie_between_the_presses_and_leave_pauses_out():
    taps = [
        tap("start", PRINT, 0, machine=PRINTER),
        tap("lap", PRINT, 3, element=LOAD),
        tap("pause", PRINT, 5),
        tap("resume", PRINT, 15),
        tap("lap", PRINT, 20, element=RUN),
        tap("finish", PRINT, 21),
    ]
    folded = fold(taps, FACTS)
    assert laps(folded, PRINT) == [(0, 3, 180, LOAD), (3, 20, 420, RUN), (20, 21, 60, None)]
    assert folded.spans == fold([one for one in taps if one.kind != "lap"], FACTS).spans


def test_a_stage_without_a_lap_has_none_and_its_end_may_say_what_it_was():
    begun = tap("start", WEED, 0)
    assert fold([begun, tap("finish", WEED, 10)], FACTS).laps == ()
    assert laps(fold([begun, tap("aside", WEED, 10, element=LOAD)], FACTS), WEED) == [(0, 10, 600, LOAD)]


def test_laps_begin_anew_with_each_sitting():
    taps = [tap("start", WEED, 0), tap("lap", WEED, 2), tap("aside", WEED, 5), tap("start", WEED, 100)]
    folded = fold([*taps, tap("finish", WEED, 110)], FACTS)
    assert laps(folded, WEED) == [(0, 2, 120, None), (2, 5, 180, None)]


def test_next_ends_the_last_lap_and_two_presses_at_once_are_one_lap():
    taps = [tap("start", CUT, 0), tap("lap", CUT, 4, element=LOAD), tap("lap", CUT, 4, element=RUN)]
    folded = fold([*taps, tap("next", CUT, 9, to_stage=WEED, element=RUN)], FACTS)
    assert [lap[:3] for lap in laps(folded, CUT)] == [(0, 4, 240), (4, 9, 300)]
    assert laps(folded, WEED) == []


@pytest.mark.parametrize("kind", ["aside", "finish"])
def test_a_lap_where_nothing_runs_is_none(kind):
    taps = [tap("start", WEED, 0), tap(kind, WEED, 5), tap("lap", WEED, 8), tap("lap", CUT, 8)]
    assert fold(taps, FACTS).laps == ()


def test_a_recorded_sitting_of_an_element_is_a_lap():
    alone = tap("sitting", WEED, 0, until=at(3), element=LOAD)
    beside = tap("sitting", PRINT, 0, until=at(30), hands_on_min=2.0, machine=PRINTER, element=RUN)
    broken = tap("sitting", CUT, 50, until=at(60), hands_on_min=4.0, element=RUN)
    folded = fold([alone, beside, broken], FACTS)
    assert laps(folded, WEED) == [(0, 3, 180, LOAD)]
    assert laps(folded, PRINT) == [(0, 30, 1800, RUN)]
    assert laps(folded, CUT) == [(50, 60, 240, RUN)]


# Work done again

WAY = Facts(follows={PRINT: (CUT,), CUT: (WEED,), TEMPLATE: (MOUNT,), WEED: (MOUNT,)}, other_work=OTHER_WORK)


def test_work_done_again_opens_what_lies_between_and_marks_its_minutes_until_it_is_finished():
    taps = [
        tap("start", TEMPLATE, 0, BEN), tap("finish", TEMPLATE, 5, BEN),
        tap("start", PRINT, 0), tap("next", PRINT, 10, to_stage=CUT), tap("next", CUT, 20, to_stage=WEED),
        tap("again", WEED, 30, to_stage=PRINT, cause=LUNCH),
    ]  # fmt: skip
    folded = fold(taps, WAY)
    assert {key: one.state for key, one in folded.stages.items()} == {
        PRINT: "put_aside", CUT: "put_aside", WEED: "running", TEMPLATE: "finished",
    }  # fmt: skip
    assert folded.stages[PRINT] == StageFold("put_aside", at(0), None)
    assert marked(folded, WEED) == [(20, 30, False), (30, None, True)]
    more = [
        tap("start", PRINT, 40), tap("next", PRINT, 50, to_stage=CUT), tap("finish", CUT, 55),
        tap("start", PRINT, 60), tap("finish", PRINT, 62),
    ]  # fmt: skip
    folded = fold([*more, *taps], WAY)
    assert marked(folded, PRINT) == [(0, 10, False), (40, 50, True), (60, 62, False)]
    assert marked(folded, CUT) == [(10, 20, False), (50, 55, True)]
    assert folded.stages[CUT] == StageFold("finished", at(10), at(55))
    assert folded.stages[TEMPLATE].state == "finished"


def test_work_done_again_without_saying_from_where_is_that_stage_alone():
    taps = [tap("start", PRINT, 0), tap("next", PRINT, 10, to_stage=CUT), tap("finish", CUT, 20)]
    folded = fold([*taps, tap("again", CUT, 30), tap("again", CUT, 31)], WAY)
    assert folded.stages[PRINT].state == "finished"
    assert folded.stages[CUT] == StageFold("put_aside", at(10), None)


def test_what_was_never_begun_is_not_done_again():
    folded = fold([tap("start", PRINT, 0), tap("again", WEED, 5, to_stage=PRINT)], WAY)
    assert folded.stages == {PRINT: StageFold("running", at(0), None)}
    folded = fold(
        [tap("start", PRINT, 0), tap("again", WEED, 5, to_stage=PRINT), tap("start", CUT, 9, BEN)], WAY
    )
    assert marked(folded, CUT) == [(9, None, False)]


def test_a_pause_a_machine_and_a_recorded_sitting_are_cut_where_the_work_is_done_again():
    taps = [tap("start", CUT, 0, machine=CUTTER), tap("again", CUT, 5), tap("pause", CUT, 8)]
    folded = fold([*taps, tap("sitting", WEED, 0, BEN, until=at(20)), tap("again", WEED, 10)], WAY)
    assert marked(folded, CUT) == [(0, 5, False), (0, 5, False), (5, 8, True), (5, 8, True), (8, None, True)]
    assert marked(folded, WEED) == [(0, 10, False), (10, 20, True)]


def test_taking_it_back_that_work_is_done_again_is_as_if_it_had_never_been_said():
    taps = [tap("start", CUT, 0), tap("finish", CUT, 5)]
    again = tap("again", CUT, 6)
    assert fold([*taps, again, tap("void", CUT, 7, corrects=again.id)], WAY) == fold(taps, WAY)


LYING = Facts(holds={LIE: HoldFact((PRINT,), (CUT,), 60)}, follows={PRINT: (LIE,), LIE: (CUT,), CUT: (WEED,)})


def test_what_is_printed_again_lies_again_and_the_first_lying_is_kept():
    taps = [
        tap("start", PRINT, 0), tap("finish", PRINT, 10), tap("start", CUT, 80), tap("finish", CUT, 90),
        tap("again", CUT, 100, to_stage=PRINT),
    ]  # fmt: skip
    assert marked(fold(taps, LYING), LIE) == [(10, 70, False)]
    assert fold(taps, LYING).stages[LIE].state == "waiting"
    redone = [*taps, tap("start", PRINT, 110), tap("finish", PRINT, 120)]
    assert marked(fold(redone, LYING), LIE) == [(10, 70, False), (120, 180, True)]
    assert fold(redone, LYING).stages[LIE] == StageFold("finished", at(120), at(180))
    cut_short = fold([*redone, tap("start", CUT, 150)], LYING)
    assert marked(cut_short, LIE) == [(10, 70, False), (120, 150, True)]


def test_a_hold_that_was_clocked_lies_again_too():
    taps = [
        tap("start", PRINT, 0), tap("finish", PRINT, 10), tap("start", LIE, 12), tap("again", PRINT, 20),
        tap("again", LIE, 30, to_stage=PRINT), tap("start", PRINT, 40), tap("finish", PRINT, 50),
    ]  # fmt: skip
    assert marked(fold(taps, LYING), LIE) == [(12, 30, False), (50, 110, True)]


def test_what_somebody_vouches_for_is_right_up_to_then():
    taps = [tap("start", WEED, 0), tap("vouch", WEED, 700), tap("vouch", WEED, 600), tap("vouch", CUT, 5)]
    folded = fold(taps, FACTS)
    assert folded.stages[WEED] == StageFold("running", at(0), None, at(700))
    assert folded.stages[CUT] == StageFold(vouched_at=at(5))
