"""What a replay takes from the clock, added up by hand, and laws that every replay keeps."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.engine.breaks import breaks_of, minutes_of_day
from analytics.engine.hours import Calendar
from analytics.engine.pauses import Paused, paused
from analytics.engine.plan import CannotPlan, MachineSpec, PersonSpec, ShopSpec, StageSpec, person_hours
from analytics.engine.replay import compare
from analytics.engine.shop_changes import AddMachine, AddPerson, OpenDay, changed_shop
from analytics.engine.stand_ins import stood_in, with_stand_ins
from tests.analytics.engine.test_replay import ORIGIN, fixed, past_of, played, queue

TWO_DAYS = Calendar.of([540, 1980], [1020, 2460])  # 9 to 17 on two days
MONDAY = datetime(2026, 1, 5, tzinfo=UTC)


@pytest.mark.parametrize(
    ("pause", "elsewhere", "means"),
    [
        ((600, 630), [], Paused(30.0, 0.0)),
        ((600, 630), [(600, 630)], Paused()),  # the pause is another stage's work
        ((600, 630), [(620, 630)], Paused(20.0, 0.0)),
        ((1000, 2000), [], Paused(40.0, 0.0)),  # 20 minutes before closing, 20 after opening
        ((600, 721), [], Paused(0.0, 121.0)),  # longer than two hours: nobody stands there
        ((600, 2000), [], Paused(0.0, 1400.0)),
        ((1020, 1980), [], Paused()),  # all of it at night
    ],
)
def test_what_a_pause_means(pause, elsewhere, means):
    assert paused([pause], TWO_DAYS, elsewhere) == means


def day(n: int, *spans: tuple[str, str]) -> list[tuple[datetime, datetime]]:
    at = MONDAY + timedelta(days=n)
    return [
        tuple(at.replace(hour=time.fromisoformat(c).hour, minute=time.fromisoformat(c).minute) for c in pair)  # type: ignore[misc]
        for pair in spans
    ]


def test_a_break_is_where_somebody_hardly_ever_works_though_they_do_before_and_after():
    kept = [span for n in range(10) for span in day(n, ("09:00", "12:00"), ("12:30", "17:00"))]
    assert breaks_of(minutes_of_day(kept)) == ((time(12), time(12, 30)),)
    assert minutes_of_day(kept).sum() == 10 * 450
    through = [span for n in range(10) for span in day(n, ("09:00", "17:00"))]
    assert breaks_of(minutes_of_day(through)) == ()
    assert breaks_of(minutes_of_day(kept[:4])) == ()  # of two days nothing can be told
    half = [span for n in range(10) for span in day(n, ("09:00", "11:00"), ("13:30", "17:00"))]
    assert breaks_of(minutes_of_day(half)) == ()  # longer than a break


def test_a_persons_hours_are_the_shops_without_their_breaks():
    hours = {0: [(time(9), time(17))]}
    ines = PersonSpec(1, "Ines", breaks=((time(12), time(12, 30)),))
    spec = ShopSpec(ORIGIN, "UTC", hours, frozenset(), (ines,), ())
    found = person_hours(spec, ines, 7)
    assert (found.open[:2].tolist(), found.close[:2].tolist()) == ([540, 750], [720, 1020])


PRINTER = MachineSpec(4, "Old printer", frozenset({"printer"}))
BARE = ShopSpec(ORIGIN, "UTC", {0: [(time(9), time(17))]}, frozenset(), (PersonSpec(1, "Ines"),), ())


def test_a_machine_that_is_gone_stands_in_for_its_own_stages_alone():
    stages = [StageSpec(k, 0, 0, "Print", "printer", hands_on=fixed(10)) for k in (7, 8)]
    found = stood_in(BARE, stages, {7: 4}, {4: PRINTER})
    assert [stage.machine for stage in found.stages] == [4, found.machines[1].key]
    assert [machine.name for machine in found.machines] == ["Old printer", "A printer of then"]
    assert all(not machine.does for machine in found.machines)
    shop = with_stand_ins(BARE, found.machines * 2)
    assert len(shop.machines) == 2
    again = stood_in(shop, found.stages, {}, {})
    assert (again.machines, again.stages) == ((), found.stages)


def test_a_skill_that_nobody_has_is_waived_but_somebody_has_to_work_there():
    stage = StageSpec(7, 0, 0, "Wrap", skill=3, skill_name="Wrapping", people=2, hands_on=fixed(10))
    found = stood_in(BARE, [stage], {}, {})
    assert (found.stages[0].skill, found.stages[0].people, found.eased) == (None, 1, {7})
    with pytest.raises(CannotPlan, match="nobody"):
        stood_in(replace(BARE, people=()), [stage], {}, {})


ARRIVALS = st.lists(st.floats(0, 3000), min_size=2, max_size=12).map(sorted)
SERVICES = st.lists(st.floats(1, 500), min_size=12, max_size=12)
OPEN = st.lists(st.integers(0, 6), min_size=2, max_size=6, unique=True)


@settings(max_examples=25, deadline=None)
@given(ARRIVALS, SERVICES, OPEN)
def test_closing_on_a_day_makes_no_job_sooner(arrivals, services, days):
    """One cutter that needs nobody but runs in open hours only, first come first served: hours taken away delay."""
    work = queue(np.array(arrivals), np.array(services[: len(arrivals)]))
    jobs = tuple(replace(job, due=float(k)) for k, job in enumerate(work.jobs))
    hours = {day: [(time(9), time(17))] for day in days}
    machines = tuple(replace(machine, alone="open_hours") for machine in work.spec.machines)
    spec = replace(work.spec, hours=hours, machines=machines)
    before = played(replace(work, spec=spec, jobs=jobs, days=60))
    fewer = {day: windows for day, windows in hours.items() if day != days[0]}
    after = played(replace(work, spec=replace(spec, hours=fewer), jobs=jobs, days=60))
    assert np.all(after >= before - 1e-6)


@settings(max_examples=10, deadline=None)
@given(ARRIVALS, SERVICES)
def test_a_replay_in_which_nothing_is_changed_says_no_difference(arrivals, services):
    came = np.array(arrivals)
    work = queue(came, np.array(services[: came.size]))
    same = replace(work, spec=changed_shop(work.spec, ()))
    assert same.book().digest == work.book().digest
    one, other = played(work, 3), played(same, 3)
    found = compare(past_of(came), one, other, seed=1)
    assert (found.sooner, found.later, found.mean.low, found.mean.high) == (0.0, 0.0, 0.0, 0.0)
    assert all(change.before == change.after and not change.certain for change in found.turnaround)


def test_several_changes_are_all_there_and_their_order_does_not_matter():
    spec = ShopSpec(
        ORIGIN, "UTC", {0: [(time(9), time(17))]}, frozenset(), (PersonSpec(1, "Ines"),), (PRINTER,)
    )
    saturday, printer = OpenDay(5, "09:00", "12:00"), AddMachine(4)
    one = changed_shop(spec, [printer, AddPerson(1), saturday, printer])
    other = changed_shop(spec, [saturday, AddPerson(1), printer, printer])
    assert one == other
    assert (len(one.machines), len(one.people), sorted(one.hours)) == (3, 2, [0, 5])
    assert len({machine.key for machine in one.machines}) == 3
