"""What taps amount to, whatever the order they come in. Durations below are added up by hand."""

from __future__ import annotations

from collections import defaultdict
from datetime import UTC, datetime, timedelta
from itertools import count, pairwise
from uuid import UUID
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from jobs.clock import Clash, Event, Facts, Folded, HoldFact, Span, StageFold, fold

NINE = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
ANN, BEN = 1, 2
PRINT, TEMPLATE, CUT, WEED, LIE = 11, 12, 13, 14, 15
PRINTER, CUTTER = 21, 22
OTHER_WORK, LUNCH = 31, 32
STARTS = ("start", "resume", "next")
FACTS = Facts(start_only=frozenset({PRINT}), alone=frozenset({PRINTER}), other_work=OTHER_WORK)
FULL = timedelta(days=3)
numbers = count(1)


def at(minute: float) -> datetime:
    return NINE + timedelta(minutes=minute)


def tap(kind: str, stage: int, minute: float, person: int | None = ANN, **more) -> Event:
    return Event(UUID(int=next(numbers)), kind, stage, at(minute), person, **more)


def minutes(
    folded: Folded, kind: str, stage: int, person: int | None = None
) -> list[tuple[float, float | None]]:
    """Beginnings and ends of a kind of interval, in minutes after nine; None where it still lasts."""
    return [
        ((s.starts - NINE) / timedelta(minutes=1), (s.ends - NINE) / timedelta(minutes=1) if s.ends else None)
        for s in folded.spans
        if (s.kind, s.stage) == (kind, stage) and (person is None or s.person == person)
    ]


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


# Properties

STAGES = [PRINT, TEMPLATE, CUT, WEED]
KINDS = ["start", "next", "pause", "resume", "leave", "aside", "finish"]


@st.composite
def taps(draw, sittings: bool = True, voids: bool = True) -> list[Event]:
    """Any presses at all, sensible or not, by two people, with what takes some of them back."""
    found: list[Event] = []
    for _ in range(draw(st.integers(0, 24))):
        kind = draw(
            st.sampled_from([*KINDS, *(["sitting"] if sittings else []), *(["void"] if voids else [])])
        )
        minute = draw(st.integers(0, 40))
        more: dict[str, object] = {}
        if kind == "void":
            more["corrects"] = draw(st.sampled_from([e.id for e in found])) if found else UUID(int=1)
        elif kind == "sitting":
            more = {"until": at(minute + draw(st.integers(-5, 30))), "machine": draw(machines)}
            more["hands_on_min"] = draw(st.none() | st.floats(-5, 60))
        elif kind in STARTS:
            more["machine"] = draw(machines)
        stage = draw(st.sampled_from(STAGES))
        if kind == "next":
            more["to_stage"] = draw(st.sampled_from([one for one in STAGES if one != stage]))
        person = draw(st.sampled_from([ANN, ANN, BEN, BEN, None]))
        found.append(tap(kind, stage, minute, person, **more))
    return found


machines = st.sampled_from([None, PRINTER, CUTTER])


def ends(span: Span) -> datetime:
    return span.ends or NINE + FULL


def overlap(spans: list[Span]) -> bool:
    spans = sorted(spans, key=lambda span: span.starts)
    return any(ends(a) > b.starts for a, b in pairwise(spans))


@given(st.data(), taps())
def test_neither_the_order_of_arrival_nor_repeats_change_anything(data, events):
    shuffled = data.draw(st.permutations(events))
    repeated = data.draw(st.lists(st.sampled_from(events), max_size=8)) if events else []
    assert fold([*shuffled, *repeated], FACTS) == fold(events, FACTS)


@given(taps())
def test_no_interval_is_negative_or_empty_and_no_stage_ends_before_it_begins(events):
    folded = fold(events, FACTS)
    assert all(span.ends is None or span.ends > span.starts for span in folded.spans)
    for stage in folded.stages.values():
        assert (stage.state == "finished") == (stage.finished_at is not None)
        assert stage.finished_at is None or stage.started_at <= stage.finished_at


@given(taps(sittings=False))
def test_a_person_is_hands_on_at_one_stage_at_a_time(events):
    by_person = defaultdict(list)
    for span in fold(events, FACTS).spans:
        if span.kind == "hands_on" and span.person is not None:
            by_person[span.person].append(span)
    assert not any(overlap(spans) for spans in by_person.values())


@given(taps(sittings=False))
def test_hands_on_is_never_more_than_people_times_elapsed(events):
    spans = [s for s in fold(events, FACTS).spans if s.kind == "hands_on" and s.person is not None]
    worked = sum(((ends(span) - span.starts) for span in spans), timedelta())
    elapsed = max(map(ends, spans), default=NINE) - min((s.starts for s in spans), default=NINE)
    assert worked <= len({span.person for span in spans}) * elapsed


def is_at(events: list[Event], person: int, stage: int, minute: float) -> bool:
    """Read the presses as one would by eye: the person's last start was here, and nothing has ended it since."""
    here = [event for event in events if event.at <= at(minute)]
    began = [i for i, e in enumerate(here) if e.kind in STARTS and e.person == person]
    if not began or (here[began[-1]].to_stage or here[began[-1]].stage) != stage:
        return False
    return not any(
        e.stage == stage
        and (
            e.kind in ("finish", "next", "pause", "aside")
            or (e.kind == "leave" and e.person in (person, None))
        )
        for e in here[began[-1] + 1 :]
    )


@given(taps(sittings=False, voids=False))
def test_hands_on_is_what_one_reads_off_the_presses_by_eye(events):
    apart = [  # one instant each, so that the order is plain
        Event(e.id, e.kind, e.stage, at(i), e.person, e.machine, None, e.to_stage)
        for i, e in enumerate(events)
    ]
    folded = fold(apart, FACTS)
    for person in (ANN, BEN):
        for stage in STAGES:
            worked = minutes(folded, "hands_on", stage, person)
            for minute in range(len(apart)):
                inside = any(a <= minute + 0.5 and (b is None or minute + 0.5 < b) for a, b in worked)
                assert inside == is_at(apart, person, stage, minute + 0.5)


@given(taps())
def test_a_machine_beyond_its_capacity_is_always_reported_and_nothing_else_is(events):
    folded = fold(events, FACTS)
    for machine in (PRINTER, CUTTER):
        spans = [span for span in folded.spans if span.machine == machine and span.kind == "machine"]
        crowded = any(len({s.stage for s in spans if s.starts <= one.starts < ends(s)}) > 1 for one in spans)
        assert crowded == any((c.kind, c.key) == ("machine", machine) for c in folded.clashes)


@given(taps(voids=False), st.data())
def test_taking_taps_back_is_as_if_they_had_never_been(events, data):
    back = data.draw(st.sets(st.sampled_from([e.id for e in events]))) if events else set()
    voids = [tap("void", WEED, data.draw(st.integers(-60, 60)), corrects=one) for one in back]
    left = fold([event for event in events if event.id not in back], FACTS)
    assert fold([*voids, *events], FACTS) == fold([*events, *voids], FACTS) == left


@given(taps(sittings=False))
def test_a_stage_is_running_paused_or_neither_by_what_lasts(events):
    folded = fold(events, FACTS)
    lasting = defaultdict(set)
    for span in folded.spans:
        if span.ends is None:
            lasting[span.stage].add(span.kind)
    for key, stage in folded.stages.items():
        if stage.state == "running":
            assert lasting[key] & {"hands_on", "machine"}
        elif stage.state == "paused":
            assert lasting[key] == {"interruption"}
        else:
            assert not lasting[key]


@settings(max_examples=20)
@given(taps(), taps())
def test_one_shop_of_stages_does_not_move_another(mine, others):
    """Other people at other stages change nothing here."""
    apart = [
        Event(
            e.id, e.kind, e.stage + 100, e.at, e.person + 100 if e.person else None, None, None,
            e.to_stage + 100 if e.to_stage else None, e.until, e.hands_on_min, e.corrects,
        )
        for e in others
        if e.kind != "void"
    ]  # fmt: skip
    both, alone = fold([*mine, *apart], FACTS), fold(mine, FACTS)
    assert [span for span in both.spans if span.stage < 100] == list(alone.spans)
