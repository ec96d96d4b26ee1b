"""The latest safe start: days that can be added up by hand, and the simulation itself as the judge."""

from datetime import UTC, datetime, time
from types import MappingProxyType

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.engine.book import BookedJob, draws, look
from analytics.engine.forecast import PROBS
from analytics.engine.hours import ALWAYS, Calendar
from analytics.engine.latest_start import course_of, latest_before, latest_starts, safe_start
from analytics.engine.network import EdgeKind
from analytics.engine.plan import MinutesSpec, PersonSpec, ShopSpec, StageSpec
from analytics.engine.work import OpenWork

MONDAY = datetime(2026, 11, 30, 9, 0, tzinfo=UTC)
HOUR, DAY = 60.0, 1440.0
HOURS = MappingProxyType({day: [(time(9), time(17))] for day in range(5)})


def fixed(minutes):
    return MinutesSpec(np.full(PROBS.size, float(minutes)))


def spread(low, high):
    return MinutesSpec(np.linspace(low, high, PROBS.size))


def hands(key, minutes, job=0, **more):
    law = minutes if isinstance(minutes, MinutesSpec) else fixed(minutes)
    return StageSpec(key, job, key, f"stage {key}", hands_on=law, **more)


def hold(key, minutes, job=0):
    return StageSpec(key, job, key, f"hold {key}", people=0, unattended=fixed(minutes))


def work_of(stages, arrows, jobs=1, people=1):
    who = tuple(PersonSpec(p, f"Person {p}") for p in range(people))
    spec = ShopSpec(MONDAY, "UTC", HOURS, frozenset(), who, ())
    links = tuple((before, after, EdgeKind.FINISH_TO_START, 0.0) for before, after in arrows)
    booked = tuple(BookedJob(i + 1, f"Job {i + 1}") for i in range(jobs))
    return OpenWork(MONDAY, spec, booked, tuple(stages), links, days=60)


def latest(work, due, level=1.0, runs=1, job=0):
    """The latest safe start of every stage of the job, by key."""
    book = work.book()
    seen = look(book, draws(book, runs=runs, seed=1), trace=True)
    found = latest_starts(book, course_of(seen), {job: due})
    return {work.stages[i].key: safe_start(at, level) for i, at in found.items()}


def test_two_stages_of_an_hour_are_begun_two_hours_before_the_date():
    found = latest(work_of([hands(1, 60), hands(2, 60)], [(1, 2)]), 7 * HOUR)  # by 16:00
    assert found == {1: 5 * HOUR, 2: 6 * HOUR}


def test_a_date_before_opening_means_the_evening_before():
    # By Tuesday 08:30: the last hour of Monday, 16:00 to 17:00.
    assert latest(work_of([hands(1, 60)], []), 23.5 * HOUR) == {1: 7 * HOUR}


def test_a_hold_runs_over_the_weekend():
    """A day in which the print lies, then an hour of cutting, by Monday 10:00: cut at nine, lie from Sunday 09:00.

    Nobody prints on Sunday; printing is an hour by Friday 17:00.
    """
    found = latest(work_of([hands(1, 60), hold(2, DAY), hands(3, 60)], [(1, 2), (2, 3)]), 7 * DAY + HOUR)
    assert found == {3: 7 * DAY, 2: 6 * DAY, 1: 4 * DAY + 7 * HOUR}


def test_a_hold_longer_than_the_weekend_is_begun_on_friday_morning():
    # Three days of lying and an hour, by Monday 10:00: it lies from Friday 09:00, so it is printed by Thursday 17:00.
    found = latest(work_of([hands(1, 60), hold(2, 3 * DAY), hands(3, 60)], [(1, 2), (2, 3)]), 7 * DAY + HOUR)
    assert found[2] == 4 * DAY
    assert found[1] == 3 * DAY + 7 * HOUR


def test_the_queue_that_a_stage_met_is_kept():
    """Half an hour; then another job has the only person for three hours; then the last hour, by 16:00.

    It begins at 15:00 at the latest, so it is ready at 12:00, and the half hour before it begins at 11:30.
    """
    stages = [hands(1, 30), hands(2, 60), hands(3, 180, job=1, ready_at=10.0)]
    work = work_of(stages, [(1, 2)], jobs=2).with_turn(0, 5.0).with_turn(1, 0.0)
    assert latest(work, 7 * HOUR) == {2: 6 * HOUR, 1: 2.5 * HOUR}


def test_another_branch_that_is_late_by_itself_leaves_no_safe_start():
    # A hold of two days cannot be over tomorrow, whatever is done about the other branch.
    work = work_of([hands(1, 60), hold(2, 2 * DAY), hands(3, 30)], [(1, 3), (2, 3)])
    found = latest(work, DAY + 7 * HOUR)
    assert found[1] == -np.inf


def test_a_later_stage_that_may_not_begin_in_time_leaves_none_either():
    work = work_of([hands(1, 60), hands(2, 60, ready_at=2 * DAY)], [(1, 2)])
    assert latest(work, DAY + 7 * HOUR)[1] == -np.inf
    assert latest(work, 2 * DAY + HOUR) == {2: 2 * DAY, 1: DAY + 7 * HOUR}


def test_the_more_often_a_date_is_to_be_kept_the_sooner_it_begins():
    work = work_of([hands(1, spread(60, 180))], [])
    half, most = (latest(work, 7 * HOUR, level, runs=400)[1] for level in (0.5, 0.9))
    # The law is even between one hour and three (cut at its first and last quantile): two hours, and 2.8.
    assert half == pytest.approx(5 * HOUR, abs=3)
    assert most == pytest.approx(7 * HOUR - 168, abs=3)


def test_a_customer_who_can_be_visited_on_two_mornings_only():
    """Tuesday and Thursday, nine to eleven; two hours there, by Thursday evening: it may begin at nine on Thursday.

    By Wednesday evening only Tuesday is left, and the hour before it is done on Monday, or on Tuesday not at all.
    """
    visits = ((DAY, DAY + 2 * HOUR), (3 * DAY, 3 * DAY + 2 * HOUR))
    work = work_of([hands(1, 60), hands(2, 120, windows=visits)], [(1, 2)])
    assert latest(work, 3 * DAY + 8 * HOUR) == {2: 3 * DAY, 1: 2 * DAY + 7 * HOUR}
    assert latest(work, 2 * DAY + 8 * HOUR) == {2: DAY, 1: 7 * HOUR}


def test_a_pin_after_the_date_leaves_no_safe_start_before_it():
    """Pinned to Wednesday 09:00, by Wednesday 11:00: at ten at the latest, so the hour before it begins at nine."""
    work = work_of([hands(1, 60), hands(2, 60, pinned=2 * DAY)], [(1, 2)])
    assert latest(work, DAY + 7 * HOUR)[1] == -np.inf
    assert latest(work, 2 * DAY + 2 * HOUR)[1] == 2 * DAY


@settings(max_examples=15, deadline=None)
@given(
    minutes=st.lists(st.integers(1, 400), min_size=2, max_size=4),
    lying=st.integers(1, 4000),
    due=st.integers(3 * 1440, 9 * 1440),
)
def test_begun_at_its_latest_start_a_job_is_in_time_and_a_minute_later_it_is_not(minutes, lying, due):
    """The simulation is the judge: held back until then, and a minute longer."""
    stages = [hands(1, minutes[0]), hold(2, lying), *(hands(k + 3, m) for k, m in enumerate(minutes[1:]))]
    work = work_of(stages, [(k, k + 1) for k in range(1, len(stages))])
    at = latest(work, float(due))[1]
    if at < 0:
        return

    def finish(release):
        book = work.with_stage(1, ready_at=release).book()
        return look(book, draws(book, runs=1, seed=1)).finish[0, 0]

    assert finish(at) <= due + 1e-6
    assert finish(at + 1) > due


def test_working_backwards_from_a_closed_hour():
    day = Calendar.of([0.0, 1440.0], [480.0, 1920.0])
    assert latest_before(day, np.array([1000.0]), np.array([60.0])) == [420.0]
    assert latest_before(day, np.array([1440.0 + 30]), np.array([30.0])) == [1440.0]
    assert latest_before(day, np.array([1440.0 + 30]), np.array([31.0])) == [479.0]
    assert latest_before(day, np.array([10.0]), np.array([20.0])) == [-np.inf]
    assert latest_before(ALWAYS, np.array([10.0]), np.array([20.0])) == [-10.0]
