"""What could bring a job forward, in shops whose dates are added up by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, time, timedelta

import pytest
from bench_shop import CUTTING, DAY, MONDAY, PRINT, PRINTING, fixed, job, open_work, shop_spec

from analytics.engine.levers import longer_days, nights, open_day, second_person, shop_levers
from analytics.engine.plan import CannotPlan, MachineSpec, PersonSpec
from analytics.engine.variants import Common, at_level


def done(work, change=lambda work: work) -> float:
    """When the target is done, in minutes from Monday 08:00; its minutes are fixed."""
    book = change(work).book()
    return at_level(Common.of(book, runs=2, seed=1).finish(book), 0.8)


def a_job_of(long: float, **shop):
    return open_work(job(0, fixed(60 * long), 0, fixed(60)), spec=shop_spec(**shop))


def test_a_saturday_more_takes_two_days_off_what_ends_on_monday():
    work = a_job_of(49)  # five days of nine hours, and five on the sixth
    assert done(work) == 7 * DAY + 5 * 60
    lever = open_day(work, done(work))
    assert lever.facts == {"day": date(2026, 12, 5)}
    assert done(work, lever.change) == 5 * DAY + 5 * 60


def test_a_holiday_is_opened_before_the_saturday_with_its_weekdays_hours():
    work = a_job_of(17, closed=frozenset({date(2026, 12, 1)}))
    assert done(work) == 2 * DAY + 9 * 60
    lever = open_day(work, done(work))
    assert lever.facts == {"day": date(2026, 12, 1)}
    assert done(work, lever.change) == DAY + 9 * 60


def test_no_day_is_opened_after_the_job_is_done():
    assert open_day(a_job_of(8), 9 * 60.0) is None


def test_an_hour_longer_each_day_adds_up():
    work = a_job_of(19)  # 9 + 9 + 2 hours
    assert done(work) == 2 * DAY + 2 * 60
    lever = longer_days(work, done(work))
    assert lever.facts == {"days": 3}
    assert done(work, lever.change) == DAY + 10 * 60


@pytest.mark.parametrize(("hours", "days"), [(8, 3), (9.5, 3), (10, 2), (15, 2)])
def test_an_hour_longer_today_counts_until_that_hour_is_over(hours, days):
    work = a_job_of(19, origin=MONDAY + timedelta(hours=hours))  # closing at 17:00, an hour later at 18:00
    assert longer_days(work, 2 * DAY).facts == {"days": days}


def test_a_shop_open_till_midnight_has_no_hour_more():
    work = a_job_of(8, hours={0: [(time(8), time(0))]})
    assert longer_days(work, 10 * DAY) is None


def test_somebody_who_learns_the_skill_takes_what_waits():
    people = (
        PersonSpec(1, "Ada", frozenset({PRINTING, CUTTING})),
        PersonSpec(2, "Ben", frozenset({CUTTING})),
    )
    jobs = [job(i, fixed(120), 0, fixed(60)) for i in range(2)]
    machines = (MachineSpec(1, "Printer", frozenset({"printer"}), capacity=2),)
    work = open_work(*jobs, target=1, dues=(100.0,), spec=shop_spec(people=people, machines=machines))
    assert done(work) == 5 * 60
    levers = list(second_person(work, next(stage for stage in work.stages if stage.job == 1)))
    assert [lever.facts for lever in levers] == [{"stage": PRINT, "skill": "Printing", "person": "Ben"}]
    assert done(work, levers[0].change) == 3 * 60


def test_where_everybody_can_it_takes_one_more():
    jobs = [job(i, fixed(120), 0, fixed(60)) for i in range(2)]
    machines = (MachineSpec(1, "Printer", frozenset({"printer"}), capacity=2),)
    work = open_work(*jobs, target=1, dues=(100.0,), spec=shop_spec(machines=machines))
    [lever] = second_person(work, work.stages[2])
    assert lever.key == "person"
    assert done(work, lever.change) < done(work)


def test_a_machine_that_runs_alone_by_day_may_run_on_at_night():
    stages = job(0, fixed(60), 0, fixed(60))
    stages[0] = replace(stages[0], unattended=fixed(10 * 60))
    machine = MachineSpec(1, "Printer", frozenset({"printer"}), alone="open_hours")
    work = open_work(stages, spec=shop_spec(machines=(machine,)))
    # By day: 8 hours of it on Monday, two on Tuesday, then the cut. On: done at 19:00, cut on Tuesday at 08:00.
    assert done(work) == DAY + 3 * 60
    [lever] = nights(work)
    assert lever.facts == {"machine": "Printer"}
    assert done(work, lever.change) == DAY + 60


def test_a_machine_that_somebody_stays_with_is_left_alone():
    stages = job(0, fixed(60), 0, fixed(60))
    stages[0] = replace(stages[0], unattended=fixed(600))
    assert list(nights(open_work(stages))) == []


def test_every_lever_leaves_the_work_as_it_was():
    work = a_job_of(49)
    before = done(work)
    for lever in shop_levers(work, before, [work.stages[0]]):
        lever.change(work)
    assert done(work) == before
    assert work.origin == MONDAY


def test_a_skill_that_nobody_has_is_still_said_to_be_missing():
    with pytest.raises(CannotPlan, match="nobody can do printing"):
        a_job_of(1, people=(PersonSpec(1, "Ben", frozenset({CUTTING})),)).book()
