"""Corrections on their way into the clock: what only they may bring, and what is refused."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import count
from uuid import UUID

import pytest

from jobs.models import ClockEvent, Correction, Interval, Job, JobType, Stage, StageState
from jobs.services.clock import fold_shop
from jobs.services.jobs import job_create
from jobs.services.taps import Tap, record_taps
from shop.errors import BadInput
from shop.models import Media, Person, Process
from shop.services import shop_create

pytestmark = pytest.mark.django_db

NINE = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
LATER = NINE + timedelta(days=1)
numbers = count(1)


@pytest.fixture
def job() -> Job:
    shop = shop_create(slug="quay", name="Quay Signs", time_zone="Europe/Berlin")
    Media.objects.create(shop=shop, name="White film", width_mm=1370)
    Person.objects.create(shop=shop, name="Ann")
    return new_job(shop)


def new_job(shop) -> Job:
    return job_create(
        shop=shop,
        job_type=JobType.objects.of(shop).get(name="Vehicle graphics"),
        title="Van, two sides",
        process=Process.objects.of(shop).get(name="Latex"),
    )


@pytest.fixture
def weed(job) -> Stage:
    return job.stages.get(kind__key="weed")


@pytest.fixture
def cut(job) -> Stage:
    return job.stages.get(kind__key="cut")


def a_tap(kind: str, stage: Stage, minute: float, **more) -> Tap:
    person = Person.objects.of(stage.shop).get(name="Ann").pk
    moment = NINE + timedelta(minutes=minute)
    return Tap(UUID(int=next(numbers)), kind, stage.pk, moment, **{"person": person, **more})


def sitting(stage: Stage, minute: float, until: float, **more) -> Tap:
    return a_tap("sitting", stage, minute, until=NINE + timedelta(minutes=until), **more)


def record(job: Job, *taps: Tap, correct: bool = False) -> list[str]:
    """What became of each tap; its problem where it was refused."""
    correction = Correction.objects.create(
        shop=job.shop, job=job, kind="move", reason="Pressed late", at=LATER
    )
    outcome = record_taps(
        shop=job.shop,
        user=None,
        taps=taps,
        sent_at=LATER,
        received_at=LATER,
        correction=correction if correct else None,
    )
    return [one.problem or one.status for one in outcome.results]


def hands_on(stage: Stage) -> list[tuple[float, float | None]]:
    return [
        (
            (row.starts_at - NINE) / timedelta(minutes=1),
            row.ends_at and (row.ends_at - NINE) / timedelta(minutes=1),
        )
        for row in Interval.objects.filter(stage=stage, kind="hands_on")
    ]


def test_a_start_is_moved_and_the_move_taken_back(job, weed):
    start, finish = a_tap("start", weed, 30), a_tap("finish", weed, 60)
    record(job, start, finish)
    moved = a_tap("start", weed, 10, corrects=start.id)
    assert record(job, moved, correct=True) == ["stored"]
    assert hands_on(weed) == [(10, 60)]
    assert ClockEvent.objects.get(pk=moved.id).correction.reason == "Pressed late"
    assert ClockEvent.objects.get(pk=start.id).at == NINE + timedelta(minutes=30)
    assert record(job, a_tap("void", weed, 70, corrects=moved.id), correct=True) == ["stored"]
    assert hands_on(weed) == [(30, 60)]


def test_what_was_put_right_or_taken_back_is_not_put_right_twice(job, weed):
    start = a_tap("start", weed, 30)
    record(job, start)
    first = a_tap("start", weed, 10, corrects=start.id)
    assert record(job, first, correct=True) == ["stored"]
    for second in (a_tap("start", weed, 20, corrects=start.id), a_tap("void", weed, 20, corrects=start.id)):
        (problem,) = record(job, second, correct=True)
        assert "already put right or taken back" in problem
    back = a_tap("void", weed, 40, corrects=first.id)
    again = a_tap("start", weed, 15, corrects=start.id)
    assert record(job, back, again, correct=True) == ["stored", "stored"]
    assert hands_on(weed) == [(15, None)]
    twice = [a_tap("void", weed, 40, corrects=again.id), a_tap("start", weed, 16, corrects=again.id)]
    assert "already" in record(job, *twice, correct=True)[1]


def test_what_is_not_there_cannot_be_corrected(job, weed):
    assert record(job, a_tap("start", weed, 10, corrects=UUID(int=1 << 90)), correct=True) == [
        "There is no such tap to correct."
    ]


def test_two_replacements_that_count_at_once_are_one_and_the_rows_are_those_of_folding_everything(
    job, weed, cut
):
    """An undone correction that is brought back after another took its place: the later one stands."""
    start = a_tap("start", weed, 30)
    record(job, start)
    first, undo = a_tap("start", weed, 10, corrects=start.id), None
    record(job, first, correct=True)
    undo = a_tap("void", weed, 40, corrects=first.id)
    record(job, undo, correct=True)
    global LATER
    kept, LATER = LATER, LATER + timedelta(minutes=1)
    try:
        assert record(job, a_tap("start", cut, 20, corrects=start.id), correct=True) == ["stored"]
        assert record(job, a_tap("void", weed, 50, corrects=undo.id), correct=True) == ["stored"]
    finally:
        LATER = kept
    assert (hands_on(weed), hands_on(cut)) == ([], [(20, None)])
    fold_shop(job.shop)
    assert (hands_on(weed), hands_on(cut)) == ([], [(20, None)])


def test_a_start_may_be_moved_to_another_job(job, weed):
    other = new_job(job.shop).stages.get(kind__key="weed")
    start = a_tap("start", weed, 0)
    record(job, start, a_tap("finish", weed, 30))
    assert record(job, a_tap("start", other, 0, corrects=start.id), correct=True) == ["stored"]
    assert (hands_on(weed), hands_on(other)) == ([], [(0, None)])
    job.refresh_from_db()
    weed.refresh_from_db()
    assert weed.state == StageState.FINISHED


def test_a_recorded_sitting_comes_with_a_correction_only(job, weed):
    assert "no tap 'sitting'" in record(job, sitting(weed, 0, 30))[0]
    assert record(job, sitting(weed, 0, 30, hands_on_min=20.0), correct=True) == ["stored"]
    assert hands_on(weed) == [(0, 20)]


def test_a_sheet_from_long_ago_may_be_typed_up_but_not_pressed(job, weed):
    year = 60 * 24 * 400.0
    assert record(job, sitting(weed, -year, 30 - year), correct=True) == ["stored"]
    assert "days old" in record(job, a_tap("start", weed, -year))[0]


@pytest.mark.parametrize(
    ("minute", "until", "more", "word"),
    [
        (30, 30, {}, "an end after its beginning"),
        (0, 60 * 25, {}, "in the future"),
        (0, 30, {"hands_on_min": 31.0}, "from 0 to the 30"),
        (0, 30, {"hands_on_min": float("nan")}, "hands_on_min"),
        (0, 30, {"scrapped": 1}, "Only 'again'"),
    ],
)
def test_a_sitting_that_makes_no_sense_is_refused(job, weed, minute, until, more, word):
    assert word in record(job, sitting(weed, minute, until, **more), correct=True)[0]
    assert ClockEvent.objects.count() == 0


def test_nobodys_time_is_recorded_twice_and_nothing_is_half_written(job, weed, cut):
    record(job, a_tap("start", weed, 0), a_tap("finish", weed, 30))
    with pytest.raises(
        BadInput,
        match=r"Ann would be at 'Weed' of job 1 and at 'Cut' of job 1 at once, from Monday 2 March[ 0-9]*, 10:20",
    ):
        record(job, sitting(cut, 20, 40), correct=True)
    assert hands_on(cut) == []
    assert ClockEvent.objects.count() == 2
    assert record(job, sitting(cut, 30, 40), sitting(cut, 40, 50), correct=True) == ["stored", "stored"]
    ben = Person.objects.create(shop=job.shop, name="Ben")
    assert record(job, sitting(cut, 20, 40, person=ben.pk), correct=True) == ["stored"]


def test_a_sitting_beside_a_machine_takes_only_its_hands_on_minutes(job, weed, cut):
    record(job, a_tap("start", weed, 10), a_tap("finish", weed, 30))
    assert record(job, sitting(cut, 0, 60, hands_on_min=10.0), correct=True) == ["stored"]


def test_a_stage_is_split_by_putting_two_sittings_in_the_place_of_one(job, weed, cut):
    one = sitting(weed, 0, 60)
    record(job, one, correct=True)
    parts = [sitting(weed, 0, 20, corrects=one.id), sitting(cut, 20, 60)]
    assert record(job, *parts, correct=True) == ["stored", "stored"]
    assert (hands_on(weed), hands_on(cut)) == ([(0, 20)], [(20, 60)])


def test_a_moved_start_gives_back_to_the_stage_left_before_and_to_the_one_started_after(job, weed, cut):
    """Weed from nine, cut in another job at 9:30, template at ten; then it comes out that template was at 9:15."""
    other = new_job(job.shop)
    template = other.stages.get(kind__key="template")
    elsewhere = other.stages.get(kind__key="cut")
    late = a_tap("start", template, 60)
    record(job, a_tap("start", weed, 0), a_tap("start", elsewhere, 30), late)
    record(job, a_tap("start", template, 15, corrects=late.id), correct=True)
    seen = [hands_on(one) for one in (weed, template, elsewhere)]
    assert seen == [[(0, 15)], [(15, 30)], [(30, None)]]
    fold_shop(job.shop)
    assert [hands_on(one) for one in (weed, template, elsewhere)] == seen


def test_who_came_from_a_stage_is_found_behind_starts_that_were_moved_many_times(job, weed, cut):
    """Seven moves of one start lie between: taken back, the person is at the stage before it again."""
    other = new_job(job.shop).stages.get(kind__key="weed")
    one = a_tap("start", cut, 60)
    record(job, a_tap("start", other, 0), one)
    for minute in range(61, 68):
        moved = a_tap("start", cut, minute, corrects=one.id)
        assert record(job, moved, correct=True) == ["stored"]
        one = moved
    assert hands_on(other) == [(0, 67)]
    record(job, a_tap("void", cut, 90, corrects=one.id))  # the one before stands again
    assert hands_on(other) == [(0, 66)]
