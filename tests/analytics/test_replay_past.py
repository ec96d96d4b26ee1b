"""What of a shop's past is in a replay beside clean minutes: each in a case that is added up by hand."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from analytics.models import Replay, RunState
from analytics.selectors.replays import past_shop
from analytics.services.replay_results import taken_in
from analytics.services.replays import REPLAYS
from jobs.models import Interval, IntervalKind, Job, JobStatus, Stage, StageEdge, VisitWindow
from shop.models import Machine, MachineKind, Person, Process, Shop, Unattended
from tests.analytics.quay import make_quay
from tests.analytics.replay_world import DAYS, MONDAY, NOW, past_job, two_weeks
from tests.analytics.test_replays import hours_taken, wanted

pytestmark = pytest.mark.django_db


@pytest.fixture
def quay() -> Shop:
    """One person, Ines, and 9 to 17 on weekdays; jobs come on MONDAY at 9."""
    return make_quay()


def clocked(stage: Stage, kind: str, starts: float, ends: float, **facts: Any) -> None:
    """An interval of Ines, hours after MONDAY at 9."""
    ines = Person.objects.get(shop=stage.shop)
    span = {"starts_at": MONDAY + timedelta(hours=starts), "ends_at": MONDAY + timedelta(hours=ends)}
    Interval.objects.create(shop=stage.shop, stage=stage, kind=kind, **{"person": ines, **span, **facts})


def only_stage(job: Job) -> Stage:
    return Stage.objects.select_related("shop").get(job=job)


def test_work_done_again_takes_its_time_again(quay: Shop) -> None:
    """An hour of weeding, and half an hour of it again: done at 10:30."""
    job = past_job(quay, MONDAY, ("weed", 60))
    clocked(only_stage(job), IntervalKind.HANDS_ON, 5, 5.5, again=True)
    assert hours_taken(quay) == {1: 1.5}


@pytest.mark.parametrize(
    ("pause", "other", "done"),
    [
        ((0.5, 1.0), None, 1.5),  # half an hour in which Ines did nothing else: 10:30
        ((0.5, 1.0), (0.5, 1.0), 1.0),  # it was another stage's work, played where it is clocked
        ((0.5, 3.5), None, 4.0),  # three hours hold nobody: waited for till 12:00, and then an hour
        (
            (6.0, 24.5),
            None,
            25.0,
        ),  # from 15:00 to 9:30, 2.5 hours at work: waited for till 3:30, so done at 10
    ],
)
def test_a_pause_is_held_waited_out_or_other_work(quay: Shop, pause: Any, other: Any, done: float) -> None:
    job = past_job(quay, MONDAY, ("weed", 60))
    clocked(only_stage(job), IntervalKind.INTERRUPTION, *pause)
    if other:
        second = past_job(quay, MONDAY + timedelta(hours=30), ("weed", 30))
        clocked(only_stage(second), IntervalKind.HANDS_ON, *other)
    if (
        pause[1] > 24
    ):  # too long: 18.5 hours of waiting, from Monday 9:00 to Tuesday 3:30; then opening, and an hour
        done = 25.0
    assert hours_taken(quay)[1] == pytest.approx(done)


def test_a_long_pause_lets_others_go_first_and_a_short_one_does_not(quay: Shop) -> None:
    """Two jobs of an hour. After a pause of three hours the other is done first, at 10; after half an hour it waits."""
    first, _ = past_job(quay, MONDAY, ("weed", 60)), past_job(quay, MONDAY, ("weed", 60))
    clocked(only_stage(first), IntervalKind.INTERRUPTION, 0.5, 1.0)
    assert hours_taken(quay) == {1: 1.5, 2: 2.5}
    Interval.objects.all().delete()
    clocked(only_stage(first), IntervalKind.INTERRUPTION, 0.5, 3.5)
    assert hours_taken(quay) == {1: 4.0, 2: 1.0}


def test_a_cancelled_job_took_the_time_that_went_into_it(quay: Shop) -> None:
    """Two hours went into a job that was cancelled; one that came with it waits for them, and is done at 12."""
    gone = past_job(
        quay,
        MONDAY,
        ("weed", 0),
        ("mask", 0),
        status=JobStatus.CANCELLED,
        started_at=MONDAY,
        finished_at=None,
    )
    past_job(quay, MONDAY, ("weed", 60))
    weed = Stage.objects.get(job=gone, kind__key="weed")
    Stage.objects.filter(job=gone).update(finished_at=None)
    clocked(weed, IntervalKind.HANDS_ON, 0, 2)
    found = past_shop(quay, *DAYS, NOW)
    assert [stage.name for stage in found.work().stages if stage.job == 0] == ["Weed of job 1"]
    assert hours_taken(quay) == {2: 3.0}
    assert taken_in(found)["cancelled"] == 1


def test_what_is_done_at_the_customers_waits_for_their_times(quay: Shop) -> None:
    """Ready at 9 on Monday; the customer can be visited on Tuesday from 10: an hour there is over at 11."""
    job = past_job(quay, MONDAY, ("install", 60))
    opens = MONDAY + timedelta(hours=25)
    VisitWindow.objects.create(shop=quay, job=job, starts_at=opens, ends_at=opens + timedelta(hours=2))
    assert hours_taken(quay) == {1: 26.0}
    assert taken_in(past_shop(quay, *DAYS, NOW))["visits"] == 1


def test_people_keep_their_breaks(quay: Shop) -> None:
    """Ines never clocks from 12 to 12:30: four hours from 9 are done at 13:30."""
    long_ago = past_job(quay, MONDAY - timedelta(days=90), ("weed", 60))
    stage = only_stage(long_ago)
    for day in range(-80, -60):
        clocked(stage, IntervalKind.HANDS_ON, 24 * day, 24 * day + 3)
        clocked(stage, IntervalKind.HANDS_ON, 24 * day + 3.5, 24 * day + 8)
    past_job(quay, MONDAY, ("weed", 240))
    assert hours_taken(quay) == {2: 4.5}
    said = taken_in(past_shop(quay, *DAYS, NOW))["breaks"]
    assert said == [{"name": "Ines", "starts": "12:00", "ends": "12:30"}]


def test_a_machine_that_is_gone_makes_what_it_made(quay: Shop) -> None:
    uv = Process.objects.of(quay).get(name="UV")
    job = past_job(quay, MONDAY, ("print", 60), process=uv)
    printer = Machine.objects.of(quay).get(kind=MachineKind.PRINTER)
    clocked(only_stage(job), IntervalKind.HANDS_ON, 0, 1, machine=printer)
    Machine.objects.filter(pk=printer.pk).update(active=False, unattended=Unattended.NO)
    past_job(quay, MONDAY, ("weed", 60))
    found = past_shop(quay, *DAYS, NOW)
    assert hours_taken(quay) == {1: 1.0, 2: 2.0}
    assert [stage.machine for stage in found.work().stages] == [printer.pk, None]
    assert taken_in(found)["stood_in"] == [{"name": "printer", "jobs": 1}]
    assert taken_in(found)["left_out"] == []


def test_a_job_that_cannot_be_made_is_left_out_named_and_not_counted(quay: Shop) -> None:
    jobs = two_weeks(quay)
    odd = past_job(quay, MONDAY, ("weed", 60), ("mask", 30))
    weed, mask = Stage.objects.filter(job=odd).order_by("position")
    StageEdge.objects.create(shop=quay, before=mask, after=weed)  # a circle
    replay = wanted(quay)
    assert not REPLAYS.carry_on(replay.pk, 60)
    replay = Replay.objects.get(pk=replay.pk)
    assert (replay.state, replay.error) == (RunState.DONE, "")
    [out] = replay.result["taken_in"]["left_out"]
    assert (out["number"], out["title"]) == (odd.number, odd.title)
    assert "arrows" in out["why"]
    assert replay.result["comparison"]["jobs"] == len(jobs)


def test_where_nothing_can_be_played_again_it_says_why(quay: Shop) -> None:
    two_weeks(quay)
    Person.objects.of(quay).update(active=False)
    replay = wanted(quay)
    assert not REPLAYS.carry_on(replay.pk, 60)
    replay.refresh_from_db()
    assert replay.state == RunState.FAILED
    assert "None of these jobs can be played again" in replay.error
    assert "nobody" in replay.error
