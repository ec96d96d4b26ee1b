"""Corrections of a job's clock: new events only, and undone they leave everything as it was."""

from __future__ import annotations

import random
import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from uuid import UUID

import pytest

from analytics.selectors.samples import samples_of
from jobs.models import (
    Cause,
    ClockEvent,
    Correction,
    CorrectionKind,
    Element,
    Interval,
    IntervalKind,
    Job,
    JobType,
    Lap,
    Stage,
    StageState,
)
from jobs.services import corrections
from jobs.services.changes import Change, Move, Split, TakeBack
from jobs.services.changes_stops import AddSitting, ForgottenStop, SheetEntry, Vouch
from jobs.services.clock import fold_shop
from jobs.services.corrections import ClockMoved, correct, preview, undo
from jobs.services.job_clock import clock_state, job_clock
from jobs.services.jobs import job_create
from jobs.services.taps import Tap, record_taps
from jobs.sheets import read_sheet
from shop.errors import BadInput, ShopError
from shop.models import Machine, MachineKind, Person, Process, Shop
from shop.services import shop_create

pytestmark = pytest.mark.django_db

NINE = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


@pytest.fixture
def shop() -> Shop:
    shop = shop_create(slug="quay", name="Quay Signs")
    Machine.objects.create(shop=shop, name="Wide", kind=MachineKind.PRINTER, unattended="always")
    Machine.objects.create(shop=shop, name="Knife", kind=MachineKind.CUTTER)
    for name in ("Ann", "Ben"):
        Person.objects.create(shop=shop, name=name)
    return shop


@pytest.fixture
def ann(shop: Shop) -> Person:
    return Person.objects.get(shop=shop, name="Ann")


@pytest.fixture
def ben(shop: Shop) -> Person:
    return Person.objects.get(shop=shop, name="Ben")


@pytest.fixture
def job(shop: Shop) -> Job:
    return new_job(shop)


def new_job(shop: Shop) -> Job:
    return job_create(
        shop=shop,
        job_type=JobType.objects.of(shop).get(name="Vehicle graphics"),
        title="Van, two sides",
        process=Process.objects.of(shop).get(name="Solvent"),
    )


def stage(job: Job, key: str) -> Stage:
    return job.stages.select_related("job__shop", "kind").get(kind__key=key)


def at(minute: float) -> datetime:
    return NINE + timedelta(minutes=minute)


def press(
    number: int, kind: str, where: Stage, minute: float, person: Person | None = None, **more: object
) -> Tap:
    who = person.pk if person else None
    return Tap(UUID(int=number), kind, where.pk, at(minute), person=who, **more)  # type: ignore[arg-type]


def send(shop: Shop, *taps: Tap) -> None:
    outcome = record_taps(shop=shop, user=None, taps=taps, sent_at=NOON, received_at=NOON, device="phone")
    assert [one.problem for one in outcome.results if one.problem] == []


def put_right(job: Job, change: Change, **more: object) -> Correction:
    return correct(job, change, reason="Pressed late", user=None, now=NOON, **more)  # type: ignore[arg-type]


def spans(where: Stage, kind: str = IntervalKind.HANDS_ON) -> list[tuple[float, float | None]]:
    """Minutes after nine."""
    rows = Interval.objects.filter(stage=where, kind=kind).order_by("starts_at")
    return [(_minutes(row.starts_at), _minutes(row.ends_at) if row.ends_at else None) for row in rows]


def _minutes(instant: datetime) -> float:
    return (instant - NINE) / timedelta(minutes=1)


def derived(shop: Shop) -> dict[str, list[object]]:
    """All that comes of the events: intervals, laps, states and what the model would learn from."""
    spans = ("stage", "kind", "starts_at", "ends_at", "person", "machine", "cause", "again")
    laps = ("stage", "element", "person", "starts_at", "ends_at", "seconds")
    told = ("stage_id", "hands_on_min", "unattended_min", "finished_at", "used", "why")
    return {
        "intervals": sorted(Interval.objects.of(shop).values_list(*spans), key=str),
        "laps": sorted(Lap.objects.of(shop).values_list(*laps), key=str),
        "stages": list(
            Stage.objects.of(shop)
            .order_by("pk")
            .values_list("pk", "state", "started_at", "finished_at", "fold_digest")
        ),
        "jobs": list(
            Job.objects.of(shop).order_by("pk").values_list("pk", "status", "started_at", "finished_at")
        ),
        "samples": sorted(([getattr(one, name) for name in told] for one in samples_of(shop)), key=str),
    }


# Each change, made to a morning at one job


def a_morning(shop: Shop, job: Job, ann: Person) -> None:
    """Weeds from 9:00, goes on to mask at 9:30, which is finished at 9:50."""
    weed, mask = stage(job, "weed"), stage(job, "mask")
    send(
        shop,
        press(1, "start", weed, 0, ann),
        press(2, "next", weed, 30, ann, to_stage=mask.pk),
        press(3, "finish", mask, 50, ann),
    )


def test_moving_an_end_moves_what_began_with_it(shop, job, ann):
    a_morning(shop, job, ann)
    made = put_right(job, Move(UUID(int=2), at(20)))
    assert spans(stage(job, "weed")) == [(0, 20)]
    assert spans(stage(job, "mask")) == [(20, 50)]
    event = ClockEvent.objects.get(correction=made)
    assert (event.kind, event.corrects, event.at) == ("next", UUID(int=2), at(20))
    assert ClockEvent.objects.get(pk=UUID(int=2)).at == at(30)


def test_a_correction_keeps_who_when_why_before_and_after(shop, job, ann):
    a_morning(shop, job, ann)
    made = put_right(job, Move(UUID(int=1), at(-10)))
    assert (made.kind, made.reason, made.at, made.by) == (CorrectionKind.MOVE, "Pressed late", NOON, None)
    assert [(one["stage"], one["hands_on_min"], one["state"]) for one in made.before] == [
        ("Weed", 30.0, "Finished")
    ]
    assert [(one["stage"], one["hands_on_min"]) for one in made.after] == [("Weed", 40.0)]
    assert made.after[0]["intervals"] == [
        {
            "kind": "hands_on",
            "who": "Ann",
            "starts_at": "2026-03-02T08:50:00Z",
            "ends_at": "2026-03-02T09:30:00Z",
        }
    ]


@pytest.mark.parametrize(
    ("number", "minute", "words"),
    [
        (1, 30, "'next' at 'Weed' stands after it, at Monday 2 March[ 0-9]*, 09:30"),
        (2, -5, "'start' at 'Weed' stands before it, at Monday 2 March[ 0-9]*, 09:00"),
        (3, 25, "'next' at 'Weed' stands before it"),
        (3, 181, "Monday 2 March[ 0-9]*, 12:01 is still to come: it is 12:00"),
        (3, 50, "It stands at that time already"),
        (9, 50, "That press no longer counts"),
    ],
)
def test_a_move_that_makes_no_sense_is_refused(shop, job, ann, number, minute, words):
    a_morning(shop, job, ann)
    before = derived(shop)
    with pytest.raises(BadInput, match=words.replace("(", r"\(")):
        put_right(job, Move(UUID(int=number), at(minute)))
    assert derived(shop) == before
    assert not Correction.objects.exists()


def test_a_start_moved_into_time_at_another_stage_shortens_that(shop, job, ann):
    other = new_job(shop)
    weed, mask = stage(other, "weed"), stage(job, "mask")
    send(shop, press(1, "start", weed, 0, ann), press(2, "finish", weed, 30, ann))
    send(shop, press(3, "start", mask, 40, ann), press(4, "finish", mask, 60, ann))
    effect = preview(job, Move(UUID(int=3), at(20)), NOON)
    assert {change.stage: change.after.minutes("hands_on", NOON) for change in effect.changes} == {
        weed: 20.0,
        mask: 40.0,
    }
    put_right(job, Move(UUID(int=3), at(20)))
    assert spans(weed) == [(0, 20)]


def test_a_start_is_not_moved_before_an_earlier_start_of_the_same_person(shop, job, ann):
    other = new_job(shop)
    weed, mask = stage(other, "weed"), stage(job, "mask")
    send(shop, press(1, "start", weed, 0, ann), press(2, "start", mask, 40, ann))
    with pytest.raises(BadInput, match=f"'start' at 'Weed' of job {other.number} stands before it"):
        put_right(job, Move(UUID(int=2), at(-5)))


def test_what_somebody_else_pressed_at_the_stage_does_not_hold_a_start_back(shop, job, ann, ben):
    weed = stage(job, "weed")
    send(
        shop,
        press(1, "start", weed, 0, ann),
        press(2, "start", weed, 10, ben),
        press(3, "finish", weed, 30, ann),
    )
    put_right(job, Move(UUID(int=1), at(15)))
    assert spans(weed) == [(10, 30), (15, 30)]


def test_a_recorded_sitting_is_moved_at_either_end(shop, job, ann):
    weed = stage(job, "weed")
    made = put_right(job, AddSitting(weed, at(0), at(30), ann.pk, hands_on_min=25))
    event = made.events.get()
    put_right(job, Move(event.pk, at(0), at(20)))
    assert spans(weed) == [(0, 20)]
    with pytest.raises(BadInput, match="which is not after its start"):
        put_right(job, Move(ClockEvent.objects.get(corrects=event.pk).pk, at(10), at(5)))


def test_a_stage_is_split_where_the_next_one_had_begun(shop, job, ann):
    weed, mask = stage(job, "weed"), stage(job, "mask")
    cause = Cause.objects.of(shop).first()
    send(
        shop,
        press(1, "start", weed, 0, ann),
        press(2, "pause", weed, 30, ann, cause=cause.pk),
        press(3, "resume", weed, 35, ann),
        press(4, "finish", weed, 50, ann),
    )
    put_right(job, Split(weed, at(20), mask))
    assert spans(weed) == [(0, 20)]
    assert spans(mask) == [(20, 30), (35, 50)]
    assert spans(mask, IntervalKind.INTERRUPTION) == [(30, 35)]
    assert {stage(job, key).state for key in ("weed", "mask")} == {StageState.FINISHED}


def test_a_stage_that_still_runs_is_split(shop, job, ann, ben):
    weed, mask = stage(job, "weed"), stage(job, "mask")
    send(shop, press(1, "start", weed, 0, ann), press(2, "start", weed, 5, ben))
    put_right(job, Split(weed, at(20), mask, done=False))
    assert spans(weed) == [(0, 20), (5, 20)]
    assert spans(mask) == [(20, None), (20, None)]
    assert (stage(job, "weed").state, stage(job, "mask").state) == (StageState.PUT_ASIDE, StageState.RUNNING)


def test_a_split_towards_the_stage_that_came_next_moves_the_turn(shop, job, ann):
    a_morning(shop, job, ann)
    put_right(job, Split(stage(job, "weed"), at(10), stage(job, "mask")))
    assert spans(stage(job, "weed")) == [(0, 10)]
    assert spans(stage(job, "mask")) == [(10, 50)]


def test_a_split_takes_the_machine_of_the_other_stage(shop, job, ann):
    weed, cut = stage(job, "weed"), stage(job, "cut")
    knife = Machine.objects.get(shop=shop, name="Knife")
    send(shop, press(1, "start", weed, 0, ann), press(2, "finish", weed, 40, ann))
    put_right(job, Split(weed, at(15), cut, machine=knife.pk))
    assert spans(cut, IntervalKind.MACHINE) == [(15, 40)]


def test_a_split_where_nobody_was_says_when_somebody_was(shop, job, ann):
    a_morning(shop, job, ann)
    with pytest.raises(
        BadInput,
        match=r"Nobody was at 'Weed' at Monday 2 March[ 0-9]*, 09:40. "
        r"It was worked on Monday 2 March[ 0-9]*, 09:00 to 09:30",
    ):
        put_right(job, Split(stage(job, "weed"), at(40), stage(job, "mask")))
    with pytest.raises(BadInput, match="another stage of the same job"):
        put_right(job, Split(stage(job, "weed"), at(10), stage(job, "weed")))
    with pytest.raises(BadInput, match="another stage of the same job"):
        put_right(job, Split(stage(job, "weed"), at(10), stage(new_job(shop), "mask")))


def test_a_stop_that_was_forgotten_and_is_still_running(shop, job, ann):
    weed = stage(job, "weed")
    send(shop, press(1, "start", weed, 0, ann))
    put_right(job, ForgottenStop(weed, ann.pk, at(25), finished=False))
    assert spans(weed) == [(0, 25)]
    assert stage(job, "weed").state == StageState.PUT_ASIDE


@pytest.mark.parametrize("kind", ["finish", "aside", "pause"])
def test_a_stop_that_was_pressed_too_late(shop, job, ann, kind):
    weed = stage(job, "weed")
    send(shop, press(1, "start", weed, 0, ann), press(2, kind, weed, 170, ann))
    put_right(job, ForgottenStop(weed, ann.pk, at(25), finished=True))
    assert spans(weed) == [(0, 25)]
    assert (stage(job, "weed").state, stage(job, "weed").finished_at) == (StageState.FINISHED, at(25))


def test_a_forgotten_stop_before_going_on_leaves_the_next_stage_as_it_began(shop, job, ann):
    a_morning(shop, job, ann)
    put_right(job, ForgottenStop(stage(job, "weed"), ann.pk, at(12), finished=True))
    assert spans(stage(job, "weed")) == [(0, 12)]
    assert spans(stage(job, "mask")) == [(30, 50)]


def test_a_forgotten_stop_of_one_of_two(shop, job, ann, ben):
    weed = stage(job, "weed")
    send(
        shop,
        press(1, "start", weed, 0, ann),
        press(2, "start", weed, 5, ben),
        press(3, "finish", weed, 60, ben),
    )
    put_right(job, ForgottenStop(weed, ann.pk, at(25), finished=False))
    assert sorted(spans(weed)) == [(0, 25), (5, 60)]


def test_a_machine_that_ran_on_keeps_its_run(shop, job, ann):
    print_, wide = stage(job, "print"), Machine.objects.get(shop=shop, name="Wide")
    send(shop, press(1, "start", print_, 0, ann, machine=wide.pk), press(2, "finish", print_, 90, ann))
    put_right(job, ForgottenStop(print_, ann.pk, at(10), finished=False, machine_too=False))
    assert spans(print_) == [(0, 10)]
    put_right(job, ForgottenStop(print_, None, at(70), finished=True))
    assert spans(print_, IntervalKind.MACHINE)[-1][1] == 70


def test_a_stop_outside_every_stretch_is_refused(shop, job, ann, ben):
    a_morning(shop, job, ann)
    with pytest.raises(
        BadInput, match=r"does not have this going on at 'Weed' at Monday 2 March[ 0-9]*, 09:40"
    ):
        put_right(job, ForgottenStop(stage(job, "weed"), ann.pk, at(40), finished=True))
    with pytest.raises(BadInput, match="does not have this going on"):
        put_right(job, ForgottenStop(stage(job, "weed"), ben.pk, at(10), finished=True))


def test_adding_what_was_never_clocked(shop, job, ann):
    weed, knife = stage(job, "cut"), Machine.objects.get(shop=shop, name="Knife")
    put_right(job, AddSitting(weed, at(0), at(40), ann.pk, knife.pk, hands_on_min=10, finished=True))
    assert spans(weed) == [(0, 10)]
    assert spans(weed, IntervalKind.MACHINE) == [(0, 40)]
    assert stage(job, "cut").finished_at == at(40)


def test_a_machine_alone_has_no_hands_on_minutes_added_or_from_a_sheet(shop, job):
    cut, knife = stage(job, "cut"), Machine.objects.get(shop=shop, name="Knife")
    put_right(job, AddSitting(cut, at(0), at(40), machine=knife.pk))
    sheet = read_sheet("Run  10:00\nRun  5:00", "flyback", NINE.date(), at(60), shop.zone)
    put_right(job, SheetEntry(cut, sheet.elements, machine=knife.pk))
    assert spans(cut) == []
    assert spans(cut, IntervalKind.MACHINE) == [(0, 40), (60, 70), (70, 75)]
    assert list(Lap.objects.filter(stage=cut).values_list("seconds", flat=True)) == [600.0, 300.0]


@pytest.mark.parametrize(
    ("starts", "ends", "more", "words"),
    [
        (30, 30, {}, "which is not after its start"),
        (170, 190, {}, "is still to come"),
        (-3000, 60, {}, "51 hours at once"),
        (0, 30, {"hands_on_min": 31}, "from 0 to the 30"),
        (0, 30, {"person": None}, "Who worked, or which machine ran"),
        (-30, -10, {"finished": True}, "'Weed' went on after that"),
        (10, 20, {}, "Ann would be at 'Weed' of job"),
    ],
)
def test_what_cannot_have_been_is_not_added(shop, job, ann, starts, ends, more, words):
    a_morning(shop, job, ann)
    before = derived(shop)
    facts = {"person": ann.pk, **more}
    with pytest.raises(BadInput, match=words):
        put_right(job, AddSitting(stage(job, "weed"), at(starts), at(ends), **facts))
    assert derived(shop) == before


def test_a_sitting_beside_one_at_another_job_names_both(shop, job, ann):
    a_morning(shop, job, ann)
    other = new_job(shop)
    with pytest.raises(
        BadInput, match=f"at 'Mask' of job {job.number} and at 'Weed' of job {other.number} at once"
    ) as refused:
        preview(other, AddSitting(stage(other, "weed"), at(45), at(55), ann.pk), NOON)
    assert re.search(r"from Monday 2 March[ 0-9]*, 09:45", refused.value.message)


def test_two_at_once_in_an_old_log_may_become_shorter_but_not_longer(shop, job, ann):
    weed, mask = stage(job, "weed"), stage(job, "mask")
    for number, where, starts, ends in (
        (1, weed, 0, 30),
        (2, mask, 20, 50),
    ):  # as a log from elsewhere has it
        ClockEvent.objects.create(
            id=UUID(int=number), shop=shop, kind="sitting", stage=where, person=ann, at=at(starts), until=at(ends),
            device_at=at(starts), received_at=NOON,
        )  # fmt: skip
    fold_shop(shop)
    with pytest.raises(BadInput, match="at once"):
        preview(job, Move(UUID(int=2), at(10)), NOON)
    shorter = preview(job, Move(UUID(int=2), at(25)), NOON)
    assert [change.after.minutes("hands_on", NOON) for change in shorter.changes] == [25.0]
    put_right(job, Move(UUID(int=2), at(30)))
    assert spans(mask) == [(30, 50)]


def test_a_stage_that_is_left_out_takes_nothing(shop, job, ann):
    left_out = stage(job, "weed")
    left_out.left_out = True
    left_out.save()
    with pytest.raises(BadInput, match="is left out"):
        put_right(job, AddSitting(left_out, at(0), at(10), ann.pk))


def test_taking_back_a_press_that_was_moved_takes_back_what_it_was_before_too(shop, job, ann):
    a_morning(shop, job, ann)
    moved = put_right(job, Move(UUID(int=3), at(45))).events.get()
    put_right(job, TakeBack(moved.pk))
    assert spans(stage(job, "mask")) == [(30, None)]


def test_a_move_keeps_what_the_fold_does_not_read(shop, job, ann):
    weed = stage(job, "weed")
    send(
        shop,
        press(1, "start", weed, 0, ann, note="blue van", name_unproven=True),
        press(2, "again", weed, 20, ann, scrapped=3, wasted_m=1.5),
    )
    event = put_right(job, Move(UUID(int=2), at(25))).events.get()
    assert (event.scrapped, event.wasted_m) == (3, 1.5)
    event = put_right(job, Move(UUID(int=1), at(5))).events.get()
    assert (event.note, event.name_unproven) == ("blue van", True)


def test_a_timed_sheet_becomes_laps_and_makes_its_elements(shop, job, ann):
    weed = stage(job, "weed")
    known = Element.objects.create(shop=shop, kind=weed.kind, name="Lift the waste")
    sheet = read_sheet(
        "lift the waste  2:00\nTrim corners  3:30\nlift the waste  5:00",
        "continuous",
        NINE.date(),
        NINE,
        shop.zone,
    )
    change = SheetEntry(weed, sheet.elements, ann.pk, finished=True)
    assert corrections.new_elements(weed.kind, sheet.elements) == ["Trim corners"]
    made = put_right(job, change)
    laps = (
        Lap.objects.filter(stage=weed)
        .order_by("starts_at")
        .values_list("element__name", "seconds", "person__name")
    )
    assert list(laps) == [
        ("Lift the waste", 120.0, "Ann"),
        ("Trim corners", 90.0, "Ann"),
        ("Lift the waste", 90.0, "Ann"),
    ]
    assert Element.objects.filter(kind=weed.kind, name__iexact="lift the waste").get() == known
    assert spans(weed) == [(0, 2), (2, 3.5), (3.5, 5)]
    assert stage(job, "weed").state == StageState.FINISHED
    assert made.kind == CorrectionKind.SHEET


def test_a_sheet_that_is_refused_makes_no_elements(shop, job, ann):
    a_morning(shop, job, ann)
    sheet = read_sheet("Something new  2:00", "flyback", NINE.date(), NINE, shop.zone)
    with pytest.raises(BadInput, match="at once"):
        put_right(job, SheetEntry(stage(job, "weed"), sheet.elements, ann.pk))
    assert not Element.objects.filter(name="Something new").exists()


def test_a_retired_element_on_a_sheet_comes_back(shop, job, ann):
    weed = stage(job, "weed")
    row = Element.objects.create(shop=shop, kind=weed.kind, name="Trim corners", active=False)
    sheet = read_sheet("trim corners  2:00", "flyback", NINE.date(), NINE, shop.zone)
    put_right(job, SheetEntry(weed, sheet.elements, ann.pk))
    row.refresh_from_db()
    assert row.active
    assert Lap.objects.get(stage=weed).element == row


def test_vouching_says_so_and_changes_no_minute(shop, job, ann):
    a_morning(shop, job, ann)
    before = derived(shop)["intervals"]
    put_right(job, Vouch(stage(job, "weed"), at(40)))
    assert derived(shop)["intervals"] == before
    assert job_clock(job).folded.stages[stage(job, "weed").pk].vouched_at == at(40)
    with pytest.raises(BadInput, match="Nothing was clocked on 'Cut'"):
        put_right(job, Vouch(stage(job, "cut"), at(40)))


# Refusals that hold for every change


@pytest.mark.parametrize("reason", ["", "   ", "x" * 201])
def test_every_correction_needs_a_reason(shop, job, ann, reason):
    a_morning(shop, job, ann)
    with pytest.raises(BadInput) as refused:
        correct(job, TakeBack(UUID(int=3)), reason=reason, user=None, now=NOON)
    assert refused.value.field == "reason"
    assert not Correction.objects.exists()


def test_a_form_sent_twice_counts_once(shop, job, ann):
    a_morning(shop, job, ann)
    first = put_right(job, Move(UUID(int=3), at(45)), key=UUID(int=77))
    assert put_right(job, Move(UUID(int=3), at(45)), key=UUID(int=77)) == first
    assert Correction.objects.count() == 1


def test_a_form_made_before_the_clock_moved_is_refused(shop, job, ann):
    a_morning(shop, job, ann)
    state = clock_state(job)
    send(shop, press(9, "start", stage(job, "cut"), 60, ann))
    with pytest.raises(ClockMoved):
        put_right(job, Move(UUID(int=3), at(45)), made_from=state)
    put_right(job, Move(UUID(int=3), at(45)), made_from=clock_state(job))


def test_a_press_put_right_already_cannot_be_put_right_again(shop, job, ann):
    a_morning(shop, job, ann)
    put_right(job, Move(UUID(int=3), at(45)))
    with pytest.raises(BadInput, match="no longer counts"):
        put_right(job, Move(UUID(int=3), at(44)))


# Undoing


def test_an_undo_can_be_undone(shop, job, ann):
    a_morning(shop, job, ann)
    plain = derived(shop)
    made = put_right(job, Move(UUID(int=3), at(45)))
    moved = derived(shop)
    back = undo(made, user=None, now=NOON)
    assert derived(shop) == plain
    with pytest.raises(ShopError, match="undone already"):
        undo(made, user=None, now=NOON)
    again = undo(back, user=None, now=NOON)
    assert derived(shop) == moved
    undo(again, user=None, now=NOON)
    assert derived(shop) == plain
    assert Correction.objects.count() == 4


def test_a_correction_that_a_later_one_rests_on_is_undone_last(shop, job, ann):
    a_morning(shop, job, ann)
    first = put_right(job, Move(UUID(int=3), at(45)))
    second = put_right(job, Move(first.events.get().pk, at(40)))
    with pytest.raises(ShopError, match="A later correction rests on this one"):
        undo(first, user=None, now=NOON)
    undo(second, user=None, now=NOON)
    undo(first, user=None, now=NOON)
    assert spans(stage(job, "mask")) == [(30, 50)]


def test_what_was_put_right_otherwise_meanwhile_does_not_come_back(shop, job, ann):
    a_morning(shop, job, ann)
    back = undo(put_right(job, Move(UUID(int=3), at(45))), user=None, now=NOON)
    put_right(job, Move(UUID(int=3), at(40)))
    with pytest.raises(ShopError, match="in another way meanwhile"):
        undo(back, user=None, now=NOON)
    assert spans(stage(job, "mask")) == [(30, 40)]


class Morning:
    """Two people at two jobs, anything after anything, and anything put right."""

    def __init__(self, shop: Shop, seed: int) -> None:
        self.shop, self.rng = shop, random.Random(seed)
        self.jobs = [new_job(shop), new_job(shop)]
        self.stages = [
            one
            for job in self.jobs
            for one in job.stages.filter(left_out=False).select_related("job__shop", "kind")
        ]
        self.people = list(Person.objects.of(shop))
        self.machines = [None, *Machine.objects.of(shop).values_list("pk", flat=True)]
        self.cause = Cause.objects.of(shop).first()

    def clock(self) -> None:
        minute, taps = 0.0, []
        for _ in range(14):
            minute += self.rng.randrange(1, 12)
            one = self.rng.choice(self.stages[:4])
            kind = self.rng.choice(
                ["start"] * 3 + ["next", "pause", "resume", "finish", "lap", "leave", "aside"]
            )
            more: dict[str, object] = {}
            if kind == "next":
                more["to_stage"] = self.rng.choice(
                    [s for s in self.stages if s.job_id == one.job_id and s != one]
                ).pk
            if kind in ("start", "next"):
                more["machine"] = self.rng.choice(self.machines)
            if kind == "pause":
                more["cause"] = self.cause.pk
            number = self.rng.getrandbits(128)
            taps.append(press(number, kind, one, minute, self.rng.choice(self.people), **more))
        send(self.shop, *taps)

    def change(self) -> tuple[Job, Change]:
        rng, job = self.rng, self.jobs[0]
        events = [
            event for event in job_clock(job).counting if event.stage in {s.pk for s in self.stages[:4]}
        ]
        one, other = rng.sample([s for s in self.stages if s.job_id == job.pk], 2)
        event, when, who = rng.choice(events), at(rng.randrange(120)), rng.choice(self.people).pk
        makers: list[Callable[[], Change]] = [
            lambda: Move(event.id, event.at + timedelta(seconds=rng.randrange(-300, 300))),
            lambda: TakeBack(event.id),
            lambda: Split(
                rng.choice(self.stages[:4]), when, other, rng.choice(self.machines), rng.random() < 0.5
            ),
            lambda: ForgottenStop(
                rng.choice(self.stages[:4]),
                rng.choice([who, None]),
                when,
                rng.random() < 0.5,
                rng.random() < 0.5,
            ),
            lambda: AddSitting(
                one, at(125), at(140), who, rng.choice(self.machines), finished=rng.random() < 0.5
            ),
            lambda: Vouch(self.stages[0], when),
        ]
        return job, rng.choice(makers)()


@pytest.mark.parametrize("seed", range(6))
def test_any_correction_and_its_undo_leave_the_very_same_behind(shop, seed):
    morning = Morning(shop, seed)
    morning.clock()
    made = 0
    for _ in range(30):
        if made == 4:
            break
        before = derived(shop)
        job, change = morning.change()
        try:
            seen = preview(job, change, NOON)
            correction = put_right(job, change)
        except BadInput:
            assert derived(shop) == before
            continue
        made += 1
        after = derived(shop)
        assert correction.after == seen.kept(after=True, now=NOON)
        for entry in correction.after:
            where = Stage.objects.get(job__number=entry["job"], name=entry["stage"])
            assert len(entry["intervals"]) == where.intervals.count()
            assert where.get_state_display() == entry["state"]
        back = undo(correction, user=None, now=NOON)
        assert derived(shop) == before
        if morning.rng.random() < 0.5:
            undo(back, user=None, now=NOON)
            assert derived(shop) == after
    assert made >= 2
    as_they_came = derived(shop)
    fold_shop(shop)
    assert derived(shop) == as_they_came
