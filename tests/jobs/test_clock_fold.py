"""What taps amount to, whatever the order they come in. Durations below are added up by hand."""

from __future__ import annotations

from datetime import datetime, timedelta
from uuid import UUID
from zoneinfo import ZoneInfo

import pytest

from jobs.clock import Clash, Event, Facts, Folded, HoldFact, Span, StageFold, fold
from tests.jobs.clocking import (
    ANN,
    BEN,
    CUT,
    CUTTER,
    FACTS,
    LIE,
    LUNCH,
    OTHER_WORK,
    PRINT,
    PRINTER,
    TEMPLATE,
    WEED,
    at,
    minutes,
    tap,
)  # fmt: skip

# Examples


def test_a_start_and_a_finish_make_one_interval():
    folded = fold([tap("start", WEED, 0), tap("finish", WEED, 25)], FACTS)
    assert folded.spans == (Span(WEED, "hands_on", at(0), at(25), person=ANN),)
    assert folded.stages == {WEED: StageFold("finished", at(0), at(25))}


def test_next_finishes_one_stage_and_starts_the_following_at_the_same_instant():
    folded = fold([tap("start", CUT, 0), tap("next", CUT, 10, to_stage=WEED), tap("finish", WEED, 30)], FACTS)
    assert minutes(folded, "hands_on", CUT) == [(0, 10)]
    assert minutes(folded, "hands_on", WEED) == [(10, 30)]
    assert folded.stages[CUT].finished_at == folded.stages[WEED].started_at == at(10)


def test_a_pause_is_an_interruption_with_its_cause_until_the_resume():
    taps = [tap("start", WEED, 0), tap("pause", WEED, 10, cause=LUNCH), tap("resume", WEED, 40)]
    folded = fold([*taps, tap("finish", WEED, 50)], FACTS)
    assert minutes(folded, "hands_on", WEED) == [(0, 10), (40, 50)]
    assert [(s.starts, s.ends, s.cause) for s in folded.spans if s.kind == "interruption"] == [
        (at(10), at(40), LUNCH)
    ]


def test_a_printer_runs_on_alone_while_its_person_marks_out_a_template():
    taps = [tap("start", PRINT, 0, machine=PRINTER), tap("start", TEMPLATE, 10), tap("finish", TEMPLATE, 30)]
    folded = fold([*taps, tap("finish", PRINT, 60)], FACTS)
    assert minutes(folded, "hands_on", PRINT) == [(0, 10)]
    assert minutes(folded, "machine", PRINT) == [(0, 60)]
    assert minutes(folded, "interruption", PRINT) == []
    assert minutes(folded, "hands_on", TEMPLATE) == [(10, 30)]


def test_leaving_a_machine_that_may_run_alone_ends_the_hands_on_only():
    folded = fold([tap("start", PRINT, 0, machine=PRINTER), tap("leave", PRINT, 5)], FACTS)
    assert minutes(folded, "hands_on", PRINT) == [(0, 5)]
    assert minutes(folded, "machine", PRINT) == [(0, None)]
    assert folded.stages[PRINT].state == "running"


@pytest.mark.parametrize("gone", [tap("start", WEED, 10), tap("leave", CUT, 10)])
def test_a_machine_that_may_not_run_alone_pauses_when_its_person_goes(gone):
    folded = fold([tap("start", CUT, 0, machine=CUTTER), gone], FACTS)
    assert minutes(folded, "machine", CUT) == [(0, 10)]
    paused = [s for s in folded.spans if s.kind == "interruption"]
    assert paused == [Span(CUT, "interruption", at(10), None, person=ANN, cause=OTHER_WORK)]
    assert folded.stages[CUT].state == "paused"


def test_a_stage_goes_on_while_a_second_person_is_at_it():
    taps = [tap("start", WEED, 0), tap("start", WEED, 5, BEN), tap("start", CUT, 10, ANN)]
    folded = fold([*taps, tap("finish", WEED, 20, BEN)], FACTS)
    assert minutes(folded, "hands_on", WEED, ANN) == [(0, 10)]
    assert minutes(folded, "hands_on", WEED, BEN) == [(5, 20)]
    assert minutes(folded, "interruption", WEED) == []


def test_put_aside_ends_the_sitting_and_nothing_is_clocked_until_the_next():
    folded = fold([tap("start", WEED, 0), tap("aside", WEED, 20), tap("start", WEED, 1440)], FACTS)
    assert minutes(folded, "hands_on", WEED) == [(0, 20), (1440, None)]
    assert minutes(folded, "interruption", WEED) == []
    assert folded.stages[WEED] == StageFold("running", at(0), None)


def test_a_start_opens_a_stage_that_was_finished_too_early():
    folded = fold([tap("start", WEED, 0), tap("finish", WEED, 10), tap("start", WEED, 30)], FACTS)
    assert folded.stages[WEED] == StageFold("running", at(0), None)


def test_a_finish_alone_finishes_with_no_minutes_and_a_pause_alone_does_nothing():
    assert fold([tap("finish", WEED, 5)], FACTS).stages == {WEED: StageFold("finished", at(5), at(5))}
    folded = fold([tap("pause", WEED, 5, cause=LUNCH), tap("leave", CUT, 5)], FACTS)
    assert folded.spans == ()
    assert {stage.state for stage in folded.stages.values()} == {"waiting"}


def test_a_void_of_a_void_restores_and_a_circle_of_voids_counts_for_nothing():
    start = tap("start", WEED, 0)
    void = tap("void", WEED, 1, corrects=start.id)
    again = tap("void", WEED, 2, corrects=void.id)
    assert fold([start, void], FACTS).spans == ()
    assert len(fold([start, void, again], FACTS).spans) == 1
    first, second = UUID(int=1 << 90), UUID(int=2 << 90)
    circle = [
        Event(first, "void", WEED, at(1), corrects=second),
        Event(second, "void", WEED, at(1), corrects=first),
    ]
    assert len(fold([start, *circle], FACTS).spans) == 1


def test_a_thousand_voids_of_voids_are_read():
    chain = [tap("start", WEED, 0)]
    for _ in range(1001):
        chain.append(tap("void", WEED, 1, corrects=chain[-1].id))
    assert fold(chain, FACTS).spans == ()
    assert len(fold(chain[:-1], FACTS).spans) == 1


def test_a_replacement_stands_in_the_place_of_what_it_corrects_and_a_void_of_it_restores_that():
    start, finish = tap("start", WEED, 0), tap("finish", WEED, 30)
    moved = tap("start", WEED, 10, corrects=start.id)
    assert minutes(fold([start, finish, moved], FACTS), "hands_on", WEED) == [(10, 30)]
    undone = tap("void", WEED, 50, corrects=moved.id)
    assert fold([undone, moved, finish, start], FACTS) == fold([start, finish], FACTS)
    other = tap("sitting", CUT, 0, until=at(5), corrects=start.id)
    assert minutes(fold([start, other], FACTS), "hands_on", CUT) == [(0, 5)]
    assert minutes(fold([start, other], FACTS), "hands_on", WEED) == []


def test_a_replacement_of_a_replacement_stands_in_the_place_of_the_first():
    start = tap("start", WEED, 0)
    moved = tap("start", WEED, 10, corrects=start.id)
    later = tap("start", WEED, 20, corrects=moved.id)
    assert minutes(fold([start, moved, later], FACTS), "hands_on", WEED) == [(20, None)]
    undone = tap("void", WEED, 50, corrects=later.id)
    assert minutes(fold([start, moved, later, undone], FACTS), "hands_on", WEED) == [(10, None)]
    aside = tap("start", WEED, 15, corrects=start.id, made=at(99))
    assert minutes(fold([aside, start, moved, later], FACTS), "hands_on", WEED) == [(15, None)]
    assert minutes(fold([moved, later], FACTS), "hands_on", WEED) == [(20, None)]


def test_of_two_replacements_of_one_tap_the_one_made_last_stands_alone():
    start = tap("start", WEED, 0)
    late = tap("start", WEED, 10, corrects=start.id, made=at(100))
    later = tap("start", WEED, 5, corrects=start.id, made=at(200))
    for order in ([start, late, later], [later, late, start]):
        assert minutes(fold(order, FACTS), "hands_on", WEED) == [(5, None)]
    undone = tap("void", WEED, 300, corrects=later.id)
    assert minutes(fold([start, late, later, undone], FACTS), "hands_on", WEED) == [(10, None)]


def test_replacements_in_a_circle_count_for_nothing():
    first, second = UUID(int=1 << 91), UUID(int=2 << 91)
    circle = [
        Event(first, "start", WEED, at(1), ANN, corrects=second),
        Event(second, "start", WEED, at(2), ANN, corrects=first),
        Event(UUID(int=3 << 91), "start", WEED, at(3), ANN, corrects=UUID(int=3 << 91)),
    ]
    assert fold(circle, FACTS).spans == ()


# What was recorded


def test_a_sitting_is_what_was_recorded():
    whole = tap("sitting", WEED, 0, until=at(30))
    beside = tap("sitting", PRINT, 0, BEN, machine=PRINTER, until=at(60), hands_on_min=15.0)
    broken = tap("sitting", CUT, 100, until=at(160), hands_on_min=45.0)
    folded = fold([whole, beside, broken], FACTS)
    assert minutes(folded, "hands_on", WEED) == [(0, 30)]
    assert minutes(folded, "hands_on", PRINT) == [(0, 15)]
    assert minutes(folded, "machine", PRINT) == [(0, 60)]
    assert minutes(folded, "interruption", CUT) == [(145, 160)]
    assert folded.clashes == ()


@pytest.mark.parametrize("finish", [10, 30, 50])
def test_a_stage_is_finished_with_its_last_recorded_sitting_or_the_finish_whichever_is_later(finish):
    sitting = tap("sitting", WEED, 0, until=at(20))
    second = tap("sitting", WEED, 30, until=at(40))
    folded = fold([sitting, second, tap("finish", WEED, finish)], FACTS)
    assert folded.stages[WEED] == StageFold("finished", at(0), at(max(finish, 40)))


def test_a_person_recorded_at_two_places_at_once_is_a_clash():
    folded = fold([tap("sitting", WEED, 0, until=at(30)), tap("sitting", CUT, 20, until=at(40))], FACTS)
    assert folded.clashes == (Clash("person", ANN, (CUT, WEED), at(20)),)


def test_a_person_who_is_clocked_and_recorded_elsewhere_at_once_is_a_clash_but_not_beside_a_machine():
    live = [tap("start", WEED, 0), tap("finish", WEED, 30)]
    assert fold([*live, tap("sitting", CUT, 20, until=at(40))], FACTS).clashes == (
        Clash("person", ANN, (CUT, WEED), at(20)),
    )
    beside = tap("sitting", PRINT, -10, until=at(40), hands_on_min=10.0, machine=PRINTER)
    assert fold([*live, beside], FACTS).clashes == ()


def test_a_machine_beyond_its_capacity_is_a_clash_from_the_moment_it_is():
    taps = [tap("start", PRINT, 0, machine=PRINTER), tap("start", CUT, 10, BEN, machine=PRINTER)]
    assert fold(taps, FACTS).clashes == (Clash("machine", PRINTER, (PRINT, CUT), at(10)),)
    roomy = Facts(FACTS.start_only, FACTS.alone, {PRINTER: 2}, OTHER_WORK)
    assert fold(taps, roomy).clashes == ()


def lying(hold: int | None, *taps: Event) -> Folded:
    printed = [tap("start", PRINT, 0), tap("finish", PRINT, 10)]
    return fold([*printed, *taps], Facts(holds={LIE: HoldFact((PRINT,), (CUT,), hold)}))


def test_a_hold_lies_from_the_finish_before_it_for_its_minutes():
    folded = lying(60)
    assert minutes(folded, "hold", LIE) == [(10, 70)]
    assert folded.stages[LIE] == StageFold("finished", at(10), at(70))


def test_a_hold_is_cut_short_where_what_follows_began():
    assert minutes(lying(60, tap("start", CUT, 40)), "hold", LIE) == [(10, 40)]


def test_a_hold_of_no_minutes_is_over_at_once_and_one_of_unknown_length_waits_to_be_clocked():
    assert lying(0).stages[LIE] == StageFold("finished", at(10), at(10))
    assert LIE not in lying(None).stages


@pytest.mark.parametrize("minutes_fixed", [None, 60])
def test_a_hold_that_is_only_said_to_be_over_lay_from_the_finish_before_it(minutes_fixed):
    folded = lying(minutes_fixed, tap("finish", LIE, 200))
    assert minutes(folded, "hold", LIE) == [(10, 200)]
    assert folded.stages[LIE] == StageFold("finished", at(10), at(200))


def test_a_hold_said_to_be_over_before_it_could_begin_has_no_minutes():
    folded = lying(None, tap("finish", LIE, 5))
    assert minutes(folded, "hold", LIE) == []
    assert folded.stages[LIE] == StageFold("finished", at(5), at(5))


def test_a_hold_that_is_clocked_is_as_clocked_and_moves_nobody():
    folded = lying(60, tap("start", WEED, 12), tap("start", LIE, 15), tap("finish", LIE, 45))
    assert minutes(folded, "hold", LIE) == [(15, 45)]
    assert minutes(folded, "hands_on", WEED) == [(12, None)]


# DST nights of Europe/Berlin in 2026: 29 March (23 hours) and 25 October (25 hours), from the tz database.


@pytest.mark.parametrize(("day", "hours"), [(datetime(2026, 3, 28), 23), (datetime(2026, 10, 24), 25)])
def test_a_run_through_the_night_when_the_clocks_change_is_as_long_as_it_was(day, hours):
    berlin = ZoneInfo("Europe/Berlin")
    begin = day.replace(hour=20, tzinfo=berlin)
    end = begin + timedelta(days=1)  # eight in the evening again, by the clock on the wall
    sitting = Event(UUID(int=1), "sitting", PRINT, begin, ANN, PRINTER, until=end, hands_on_min=600.0)
    spans = {span.kind: span for span in fold([sitting], FACTS).spans}
    assert spans["machine"].ends - spans["machine"].starts == timedelta(hours=hours)
    assert spans["hands_on"].ends - spans["hands_on"].starts == timedelta(hours=10)


def test_two_taps_in_the_hour_that_comes_twice_are_in_their_true_order():
    berlin = ZoneInfo("Europe/Berlin")
    first = datetime(2026, 10, 25, 2, 50, fold=0, tzinfo=berlin)
    second = datetime(2026, 10, 25, 2, 10, fold=1, tzinfo=berlin)
    taps = [
        Event(UUID(int=1), "start", WEED, first, ANN),
        Event(UUID(int=2), "finish", WEED, second, ANN),
    ]
    (span,) = fold(taps, FACTS).spans
    assert span.ends - span.starts == timedelta(minutes=20)
