"""Whatever is pressed, in whatever order it arrives: what must hold of what taps amount to."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from uuid import UUID
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from jobs.clock import Event, Folded, HoldFact, Span, fold
from tests.jobs.clocking import (
    ANN,
    BEN,
    CUT,
    CUTTER,
    FACTS,
    LIE,
    LOAD,
    NINE,
    PRINT,
    PRINTER,
    RUN,
    TEMPLATE,
    WEED,
    at,
    minutes,
    tap,
)  # fmt: skip

STARTS = ("start", "resume", "next")
FULL = timedelta(days=3)
STAGES = [PRINT, TEMPLATE, CUT, WEED]
KINDS = ["start", "start", "next", "pause", "resume", "leave", "aside", "finish", "lap", "vouch"]
WAY = replace(FACTS, follows={PRINT: (CUT,), CUT: (WEED,), TEMPLATE: (WEED,)})
LYING = replace(
    WAY,
    holds={LIE: HoldFact((PRINT,), (CUT,), 7)},
    follows={PRINT: (LIE,), LIE: (CUT,), CUT: (WEED,), TEMPLATE: (WEED,)},
)
"""The same with seven minutes of lying between print and cut."""

machines = st.sampled_from([None, PRINTER, CUTTER])
elements = st.sampled_from([None, LOAD, RUN])


@st.composite
def taps(
    draw,
    sittings: bool = True,
    corrections: bool = True,
    again: bool = True,
    stages: list[int] = STAGES,
    at_most: int = 24,
) -> list[Event]:
    """Any presses at all, sensible or not, by two people, with what takes some back or stands in their place."""
    kinds = [*KINDS, *["sitting"] * sittings, *["void", "void"] * corrections, *["again", "again"] * again]
    found: list[Event] = []
    for _ in range(draw(st.integers(0, at_most))):
        kind = draw(st.sampled_from(kinds))
        minute = draw(st.integers(0, 40))
        more: dict[str, object] = {}
        stage = draw(st.sampled_from(stages))
        if corrections and (kind == "void" or draw(st.integers(0, 5)) == 0):
            more["corrects"] = draw(st.sampled_from([e.id for e in found])) if found else UUID(int=1)
            more["made"] = at(100 + draw(st.integers(0, 3)))
        if kind == "sitting":
            more |= {"until": at(minute + draw(st.integers(-5, 30))), "machine": draw(machines)}
            more |= {"hands_on_min": draw(st.none() | st.floats(-5, 60)), "element": draw(elements)}
        elif kind in STARTS:
            more["machine"] = draw(machines)
        if kind in ("lap", "finish", "aside"):
            more["element"] = draw(elements)
        if kind == "next":
            more["to_stage"] = draw(st.sampled_from([one for one in stages if one != stage]))
        if kind == "again":
            more["to_stage"] = draw(st.sampled_from([None, *stages]))
        person = draw(st.sampled_from([ANN, ANN, BEN, BEN, None]))
        found.append(tap(kind, stage, minute, person, **more))
    return found


live = taps(sittings=False)
plain = taps(sittings=False, corrections=False, again=False)


def ends(span: Span) -> datetime:
    return span.ends or NINE + FULL


def overlap(spans: list[Span]) -> bool:
    spans = sorted(spans, key=lambda span: span.starts)
    return any(ends(a) > b.starts for a, b in pairwise(spans))


def union(spans: list[tuple[datetime, datetime]]) -> timedelta:
    """How long at least one of the spans lasts."""
    total, reached = timedelta(), datetime.min.replace(tzinfo=UTC)
    for starts, until in sorted(spans):
        total += max(until - max(starts, reached), timedelta())
        reached = max(reached, until)
    return total


def running(folded: Folded, stage: int) -> list[tuple[datetime, datetime]]:
    """When somebody or a machine was at a stage."""
    return [
        (s.starts, ends(s)) for s in folded.spans if s.stage == stage and s.kind in ("hands_on", "machine")
    ]


@given(st.data(), taps(stages=[*STAGES, LIE]))
def test_neither_the_order_of_arrival_nor_repeats_change_anything(data, events):
    shuffled = data.draw(st.permutations(events))
    repeated = data.draw(st.lists(st.sampled_from(events), max_size=8)) if events else []
    assert fold([*shuffled, *repeated], LYING) == fold(events, LYING)


@given(taps(stages=[*STAGES, LIE]))
def test_no_interval_is_negative_or_empty_and_no_stage_ends_before_it_begins(events):
    folded = fold(events, LYING)
    assert all(span.ends is None or span.ends > span.starts for span in folded.spans)
    assert all(lap.ends > lap.starts and lap.seconds > 0 for lap in folded.laps)
    for stage in folded.stages.values():
        assert (stage.state == "finished") == (stage.finished_at is not None)
        assert stage.finished_at is None or stage.started_at <= stage.finished_at


@given(live)
def test_a_person_is_hands_on_at_one_stage_at_a_time(events):
    by_person = defaultdict(list)
    for span in fold(events, WAY).spans:
        if span.kind == "hands_on" and span.person is not None:
            by_person[span.person].append(span)
    assert not any(overlap(spans) for spans in by_person.values())


@given(live)
def test_hands_on_is_never_more_than_people_times_elapsed(events):
    spans = [s for s in fold(events, WAY).spans if s.kind == "hands_on" and s.person is not None]
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


@given(plain)
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
    folded = fold(events, WAY)
    for machine in (PRINTER, CUTTER):
        spans = [span for span in folded.spans if span.machine == machine and span.kind == "machine"]
        crowded = any(len({s.stage for s in spans if s.starts <= one.starts < ends(s)}) > 1 for one in spans)
        assert crowded == any((c.kind, c.key) == ("machine", machine) for c in folded.clashes)


@given(taps(corrections=False), st.data())
def test_taking_taps_back_is_as_if_they_had_never_been(events, data):
    back = data.draw(st.sets(st.sampled_from([e.id for e in events]))) if events else set()
    voids = [tap("void", WEED, data.draw(st.integers(-60, 60)), corrects=one) for one in back]
    left = fold([event for event in events if event.id not in back], WAY)
    assert fold([*voids, *events], WAY) == fold([*events, *voids], WAY) == left


@given(taps(corrections=False), st.data())
def test_what_stands_in_the_place_of_taps_is_as_if_it_alone_had_been_and_taking_it_back_restores_them(
    events, data
):
    replaced = data.draw(st.lists(st.sampled_from(events), unique_by=lambda e: e.id)) if events else []
    new = [data.draw(instead(event)) for event in replaced]
    ids = {event.id for event in replaced}
    kept = [event for event in events if event.id not in ids]
    assert fold([*events, *new], WAY) == fold([*kept, *(replace(one, corrects=None) for one in new)], WAY)
    twice = [data.draw(instead(event)) for event in new]
    alone = [replace(one, corrects=None) for one in twice]
    assert fold([*twice, *events, *new], WAY) == fold([*kept, *alone], WAY)
    voids = [tap("void", WEED, data.draw(st.integers(-60, 60)), corrects=one.id) for one in new]
    shuffled = data.draw(st.permutations([*events, *new, *voids]))
    assert fold(shuffled, WAY) == fold(events, WAY)


@st.composite
def instead(draw, event: Event) -> Event:
    """Another event in the place of this one: at another moment, maybe of another person at another stage."""
    stage = draw(st.sampled_from([one for one in STAGES if one != event.to_stage]))
    return replace(
        tap("start", stage, draw(st.integers(0, 40)), draw(st.sampled_from([ANN, BEN, event.person]))),
        kind=event.kind, to_stage=event.to_stage, until=event.until, hands_on_min=event.hands_on_min,
        machine=event.machine, corrects=event.id,
    )  # fmt: skip


@given(taps(corrections=False), st.data())
def test_of_several_replacements_of_one_tap_the_one_made_last_stands(events, data):
    if not events:
        return
    one = data.draw(st.sampled_from(events))
    several = [replace(data.draw(instead(one)), made=at(100 + n)) for n in range(3)]
    shuffled = data.draw(st.permutations([*events, *several]))
    assert fold(shuffled, WAY) == fold([*events, several[-1]], WAY)


@given(taps(sittings=False), st.sampled_from(STAGES))
def test_laps_lie_apart_in_running_time_and_each_is_as_long_as_the_stage_ran_in_it(events, stage):
    folded = fold(events, WAY)
    mine = [lap for lap in folded.laps if lap.stage == stage]
    assert all(a.ends <= b.starts for a, b in pairwise(mine))
    ran = running(folded, stage)
    for lap in mine:
        inside = [(max(a, lap.starts), min(b, lap.ends)) for a, b in ran if a < lap.ends and b > lap.starts]
        assert lap.seconds == union(inside).total_seconds()


@given(taps(sittings=False, corrections=False), st.sampled_from(STAGES))
def test_the_laps_of_a_stage_add_up_to_the_time_that_it_ran(events, stage):
    """A lap is pressed wherever a sitting ends, and at the end of all."""
    over = [
        tap("lap", stage, (e.at - NINE) / timedelta(minutes=1))
        for e in events
        if e.kind in ("finish", "aside", "next")
    ]
    folded = fold([*events, *over, tap("lap", stage, 50)], WAY)
    ran = union([(a, min(b, at(50))) for a, b in running(folded, stage)])
    assert sum(lap.seconds for lap in folded.laps if lap.stage == stage) == pytest.approx(ran.total_seconds())


def merged(spans: list[Span]) -> list[Span]:
    """The spans with those that go on without a break, but for being done again, as one."""
    found: dict[tuple[object, ...], Span] = {}
    done = []
    for span in sorted(spans, key=lambda span: span.starts):
        key = (span.stage, span.kind, span.person, span.machine, span.cause)
        before = found.get(key)
        if before is not None and before.ends == span.starts and before.again != span.again:
            found[key] = replace(before, ends=span.ends, again=span.again)
        else:
            if before is not None:
                done.append(before)
            found[key] = span
    return sorted((replace(span, again=False) for span in [*done, *found.values()]), key=str)


@given(live)
def test_minutes_done_again_and_the_others_are_all_the_minutes(events):
    """Without what says that work is done again, the minutes are the same ones, none of them marked."""
    without = fold([event for event in events if event.kind != "again"], WAY)
    assert not any(span.again for span in without.spans)
    taken_back = [replace(event, kind="vouch") if event.kind == "again" else event for event in events]
    assert merged(list(fold(events, WAY).spans)) == merged(list(fold(taken_back, WAY).spans))


@given(taps(sittings=False, corrections=False))
def test_a_minute_is_of_work_done_again_where_one_would_say_so_by_eye(events):
    """It was said of this stage, which had begun, and the stage was not finished since."""
    apart = [
        replace(event, at=at(i), to_stage=None if event.kind == "again" else event.to_stage)
        for i, event in enumerate(events)
    ]
    for span in fold(apart, WAY).spans:
        middle = span.starts + timedelta(seconds=30)
        here = [e for e in apart if e.at < middle and span.stage in (e.stage, e.to_stage)]
        said = [
            e.at
            for e in here
            if e.kind == "again" and any(began(b, span.stage) and b.at < e.at for b in here)
        ]
        finished = [e.at for e in here if e.kind in ("finish", "next") and e.stage == span.stage]
        assert span.again == bool(said and not any(at > said[-1] for at in finished))


def began(event: Event, stage: int) -> bool:
    if event.kind == "next" and event.to_stage == stage:
        return True
    return event.stage == stage and event.kind in ("start", "resume", "finish", "next")


@pytest.mark.parametrize(
    "change", [datetime(2026, 3, 29, 1, tzinfo=UTC), datetime(2026, 10, 25, 1, tzinfo=UTC)]
)
@given(events=taps(stages=[*STAGES, LIE]))
def test_a_night_in_which_the_clocks_change_is_like_any_other(change, events):
    """Berlin's clocks change at 01:00 UTC on these days (tz database); what counts are instants."""
    by = change - timedelta(minutes=20) - NINE
    berlin = ZoneInfo("Europe/Berlin")

    def moved(instant: datetime | None) -> datetime | None:
        return instant and instant + by

    def on_the_wall(instant: datetime | None) -> datetime | None:
        return instant and (instant + by).astimezone(berlin)

    there = [
        replace(e, at=on_the_wall(e.at), until=on_the_wall(e.until), made=on_the_wall(e.made)) for e in events
    ]
    folded, usual = fold(there, LYING), fold(events, LYING)
    assert folded.spans == tuple(replace(s, starts=moved(s.starts), ends=moved(s.ends)) for s in usual.spans)
    assert [lap.seconds for lap in folded.laps] == [lap.seconds for lap in usual.laps]
    lengths = [(s.ends - s.starts) for s in folded.spans if s.ends]
    assert lengths == [(s.ends - s.starts) for s in usual.spans if s.ends]


@given(live)
def test_a_stage_is_running_paused_or_neither_by_what_lasts(events):
    folded = fold(events, WAY)
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
def test_one_set_of_stages_does_not_move_another(mine, others):
    """Other people at other stages change nothing here."""
    apart = [
        Event(
            e.id, e.kind, e.stage + 100, e.at, e.person + 100 if e.person else None, None, None,
            e.to_stage + 100 if e.to_stage else None, e.until, e.hands_on_min,
        )
        for e in others
        if e.kind != "void"
    ]  # fmt: skip
    both, alone = fold([*mine, *apart], WAY), fold(mine, WAY)
    assert [span for span in both.spans if span.stage < 100] == list(alone.spans)
