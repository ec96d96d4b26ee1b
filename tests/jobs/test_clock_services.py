"""Taps stored and folded: whatever comes when, the rows are those that all events together give."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta
from uuid import UUID

import pytest
from django.db import transaction
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from jobs.models import (
    Cause,
    ClockEvent,
    Correction,
    Element,
    Interval,
    IntervalKind,
    Job,
    JobStatus,
    JobType,
    Lap,
    Stage,
    StageEdge,
    StageKind,
    StageState,
    TapKind,
)
from jobs.routes import active_edges, descendants
from jobs.services.clock import fold_shop, refold
from jobs.services.jobs import job_create, job_update
from jobs.services.stages import stage_add, stage_leave_out, stage_take_in
from jobs.services.taps import PRESSED, Tap, TapsOutcome, record_taps
from jobs.signals import stages_folded
from shop.models import Machine, MachineKind, Media, Person, Process, Shop
from shop.services import shop_create

pytestmark = pytest.mark.django_db

NINE = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


@pytest.fixture
def shop() -> Shop:
    shop = shop_create(slug="quay", name="Quay Signs")
    Media.objects.create(shop=shop, name="White film", width_mm=1370)
    Machine.objects.create(shop=shop, name="Wide", kind=MachineKind.PRINTER, unattended="always")
    Machine.objects.create(shop=shop, name="Knife", kind=MachineKind.CUTTER)
    for name in ("Ann", "Ben"):
        Person.objects.create(shop=shop, name=name)
    return shop


@pytest.fixture
def ann(shop) -> Person:
    return Person.objects.get(shop=shop, name="Ann")


@pytest.fixture
def job(shop) -> Job:
    return new_job(shop)


def new_job(shop: Shop, process: str = "Solvent") -> Job:
    return job_create(
        shop=shop,
        job_type=JobType.objects.of(shop).get(name="Vehicle graphics"),
        title="Van, two sides",
        process=Process.objects.of(shop).get(name=process),
    )


def stage(job: Job, key: str) -> Stage:
    return job.stages.get(kind__key=key)


def send(shop: Shop, *taps: Tap) -> TapsOutcome:
    moment = max(tap.at for tap in taps) + timedelta(minutes=1)
    outcome = record_taps(shop=shop, user=None, taps=taps, sent_at=moment, received_at=moment, device="phone")
    assert [one.problem for one in outcome.results if one.problem] == []
    return outcome


def press(rng: random.Random | int, kind: str, stage: Stage, minute: float, person=None, **more) -> Tap:
    number = rng if isinstance(rng, int) else rng.getrandbits(128)
    return Tap(
        UUID(int=number),
        kind,
        stage.pk,
        NINE + timedelta(minutes=minute),
        person=person.pk if person else None,
        **more,
    )


def rows(shop: Shop) -> dict[str, list[object]]:
    """All that is derived from the events, without the keys that only say in which order rows were written."""
    columns = ("stage", "kind", "starts_at", "ends_at", "person", "machine", "cause", "again")
    laps = ("stage", "starts_at", "ends_at", "seconds", "element", "person")
    derived = ("pk", "state", "started_at", "finished_at", "fold_digest")
    intervals = Interval.objects.of(shop).values_list(*columns)
    return {
        "intervals": sorted(intervals, key=str),
        "laps": sorted(Lap.objects.of(shop).values_list(*laps), key=str),
        "stages": list(Stage.objects.of(shop).order_by("pk").values_list(*derived)),
        "jobs": list(
            Job.objects.of(shop).order_by("pk").values_list("pk", "status", "started_at", "finished_at")
        ),
    }


def one_of(stages: list[Stage], key: int) -> Stage:
    return next(one for one in stages if one.pk == key)


def ways(stage: Stage) -> set[int]:
    """The stages that lead to this one."""
    stages, edges = list(stage.job.stages.all()), StageEdge.objects.filter(before__job=stage.job_id)
    links = active_edges(stages, edges)
    return {one.pk for one in stages if stage.pk in descendants(one.pk, links)}


class Floor:
    """Two people pressing anything anywhere: sensible or not, late, taken back, holds and machines too."""

    def __init__(self, shop: Shop, seed: int) -> None:
        self.shop, self.rng = shop, random.Random(seed)
        jobs = [new_job(shop), new_job(shop, "Latex")]
        self.stages = [stage for job in jobs for stage in job.stages.filter(left_out=False)]
        self.people = [None, *Person.objects.of(shop)] * 2
        self.machines = [None, *Machine.objects.of(shop).values_list("pk", flat=True)]
        self.cause = Cause.objects.of(shop).first()
        self.elements: dict[int, list[int | None]] = {
            kind: [None, Element.objects.create(shop=shop, kind_id=kind, name="Take hold").pk]
            for kind in {one.kind_id for one in self.stages}
        }
        self.sent: list[Tap] = []
        self.late = NINE + timedelta(hours=5)

    def tap(self) -> Tap:
        rng = self.rng
        kind = rng.choice(["start"] * 3 + ["next"] * 2 + ["void"] * 2 + sorted(PRESSED))
        one = rng.choice(self.stages)
        more: dict[str, object] = {}
        if kind == "again":  # refused where nothing was ever begun
            begun = [tap.stage for tap in self.sent if tap.kind in ("start", "resume", "finish")]
            kind, one = ("again", one_of(self.stages, rng.choice(begun))) if begun else ("finish", one)
            more["to_stage"] = rng.choice([None, *(ways(one) & set(begun))])
        if kind == "void":
            more["corrects"] = rng.choice(self.sent).id if self.sent else UUID(int=1)
        if kind == "next":
            others = [s for s in self.stages if s.job_id == one.job_id and s.pk != one.pk]
            more["to_stage"] = rng.choice(others).pk
        if kind in ("start", "resume", "next"):
            more["machine"] = rng.choice(self.machines)
        if kind == "pause":
            more["cause"] = self.cause.pk
        if kind in ("lap", "finish", "aside"):
            more["element"] = rng.choice(self.elements[one.kind_id])
        tap = press(rng, kind, one, rng.randrange(240), rng.choice(self.people), **more)
        self.sent.append(tap)
        return tap

    def correct(self) -> None:
        """Put a tap right, if it was not yet, by another in its place; and now and then take that back again."""
        rng, self.late = self.rng, self.late + timedelta(minutes=1)
        one = rng.choice(self.sent)
        correction = Correction.objects.create(
            shop=self.shop, job=self.stages[0].job, kind="move", reason="Pressed late", at=self.late
        )
        kind = rng.choice(["start", "finish", "sitting", "pause", "void"])
        minute = rng.randrange(240)
        until = {"until": NINE + timedelta(minutes=minute + 9)} if kind == "sitting" else {}
        # A recorded sitting of nobody doubles nobody.
        person = None if kind == "sitting" else rng.choice(self.people)
        tap = press(rng, kind, rng.choice(self.stages), minute, person, corrects=one.id, **until)
        (outcome,) = record_taps(
            shop=self.shop,
            user=None,
            taps=[tap],
            sent_at=self.late,
            received_at=self.late,
            correction=correction,
        ).results
        if outcome.status == "stored":
            self.sent.append(tap)


def begin_everything(floor: Floor) -> list[Tap]:
    """Taps after which no stage was never begun, so that none is refused for that."""
    return [
        press(floor.rng, "finish", one, 240 + i, element=floor.elements[one.kind_id][1])
        for i, one in enumerate(floor.stages)
    ]


@pytest.mark.parametrize("seed", range(8))
def test_folding_as_taps_come_gives_the_rows_of_folding_everything(shop, seed):
    floor = Floor(shop, seed)
    for _ in range(16):
        send(shop, *(floor.tap() for _ in range(floor.rng.choice([1, 1, 2, 6]))))
    as_they_came = rows(shop)
    assert len(as_they_came["intervals"]) > 3
    fold_shop(shop)
    assert rows(shop) == as_they_came


@pytest.mark.parametrize("seed", range(4))
def test_corrections_among_them_give_the_rows_of_folding_everything_too(shop, seed):
    floor = Floor(shop, seed)
    for _ in range(14):
        send(shop, *(floor.tap() for _ in range(floor.rng.choice([1, 2, 5]))))
        floor.correct()
    as_they_came = rows(shop)
    replaced = ClockEvent.objects.filter(correction__isnull=False).exclude(kind="void")
    assert len(replaced) > 3
    fold_shop(shop)
    assert rows(shop) == as_they_came


def send_late(shop: Shop, taps: list[Tap]) -> None:
    """Send by a clock that is right, long after all of it."""
    moment = NINE + timedelta(hours=8)
    outcome = record_taps(shop=shop, user=None, taps=taps, sent_at=moment, received_at=moment)
    assert {one.status for one in outcome.results} <= {"stored", "known"}


@settings(
    max_examples=4,
    deadline=None,
    phases=[Phase.generate],  # each example is hundreds of writes: none is made smaller
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(seed=st.integers(0, 2**32 - 1), shuffle=st.randoms(use_true_random=False))
def test_whatever_the_order_the_batches_and_the_repeats_the_rows_are_equal(shop, seed, shuffle):
    with transaction.atomic():
        floor = Floor(shop, seed)
        taps = [floor.tap() for _ in range(30)]
        first = begin_everything(floor)
        with transaction.atomic():
            for tap in [*first, *taps]:
                send_late(shop, [tap])
            in_order, known = rows(shop), set(ClockEvent.objects.values_list("pk", "at"))
            transaction.set_rollback(True)
        assert ClockEvent.objects.count() == 0
        send_late(shop, first)
        mixed = [*taps, *shuffle.choices(taps, k=15)]
        shuffle.shuffle(mixed)
        while mixed:
            size = shuffle.choice([1, 2, 5, 20])
            send_late(shop, mixed[:size])
            del mixed[:size]
        assert set(ClockEvent.objects.values_list("pk", "at")) == known
        assert rows(shop) == in_order
        transaction.set_rollback(True)


def test_damaged_rows_are_right_again_after_folding_everything(shop, job, ann):
    send(shop, press(1, "start", stage(job, "weed"), 0, ann), press(2, "finish", stage(job, "weed"), 9, ann))
    good = rows(shop)
    Interval.objects.all().delete()
    Job.objects.update(status=JobStatus.FINISHED, started_at=None)
    Stage.objects.update(state=StageState.PAUSED)
    fold_shop(shop)
    assert rows(shop) == good


def test_a_start_of_a_hold_elsewhere_takes_nobody_away(shop, ann):
    one, other = new_job(shop), new_job(shop)
    send(shop, press(1, "start", stage(one, "weed"), 0, ann))
    send(shop, press(2, "start", stage(other, "outgas"), 5, ann))
    refold(shop, [stage(one, "weed").pk])
    assert stage(one, "weed").state == StageState.RUNNING
    assert Interval.objects.get(stage__job=one).ends_at is None


def test_voids_that_take_each_other_back_are_stored_and_count_for_nothing(shop, job, ann):
    weed = stage(job, "weed")
    circle = [
        press(2, "void", weed, 1, ann, corrects=UUID(int=3)),
        press(3, "void", weed, 1, ann, corrects=UUID(int=2)),
    ]
    send(shop, press(1, "start", weed, 0, ann), *circle)
    assert ClockEvent.objects.count() == 3
    assert stage(job, "weed").state == StageState.RUNNING


def test_a_chain_of_five_hundred_voids_is_stored(shop, job, ann):
    weed = stage(job, "weed")
    send(shop, press(1, "start", weed, 0, ann))
    send(shop, *(press(i, "void", weed, 1, ann, corrects=UUID(int=i - 1)) for i in range(2, 502)))
    assert stage(job, "weed").state == StageState.RUNNING
    send(shop, press(502, "void", weed, 1, ann, corrects=UUID(int=501)))
    assert stage(job, "weed").state == StageState.WAITING


def test_a_job_is_in_hand_from_its_first_tap_and_back_where_it_is_taken_back(shop, job, ann):
    weed = stage(job, "weed")
    send(shop, press(1, "start", weed, 0, ann))
    job.refresh_from_db()
    assert (job.status, job.started_at) == (JobStatus.IN_HAND, NINE)
    send(shop, press(2, "void", weed, 1, ann, corrects=UUID(int=1)))
    job.refresh_from_db()
    assert (job.status, job.started_at) == (JobStatus.ENQUIRY, None)


def test_a_job_is_finished_with_its_last_stage_and_in_hand_again_where_that_is_taken_back(shop, job, ann):
    kept = list(job.stages.filter(left_out=False))
    send(shop, *(press(i + 1, "finish", one, i, ann) for i, one in enumerate(kept)))
    job.refresh_from_db()
    assert (job.status, job.finished_at) == (JobStatus.FINISHED, NINE + timedelta(minutes=len(kept) - 1))
    send(shop, press(99, "void", kept[-1], 50, ann, corrects=UUID(int=len(kept))))
    job.refresh_from_db()
    assert (job.status, job.finished_at) == (JobStatus.IN_HAND, None)


def test_a_solvent_print_lies_a_day_before_it_may_be_cut(shop, job, ann):
    printing, outgas = stage(job, "print"), stage(job, "outgas")
    send(shop, press(1, "start", printing, 0, ann), press(2, "finish", printing, 30, ann))
    outgas.refresh_from_db()
    (hold,) = outgas.intervals.all()
    # 24 hours before cutting a solvent print: the process's own default.
    assert (hold.kind, hold.ends_at - hold.starts_at) == (IntervalKind.HOLD, timedelta(hours=24))
    assert outgas.finished_at == NINE + timedelta(minutes=30, hours=24)


def test_each_write_raises_the_shops_revision_and_says_which_stages_ended(
    shop, job, ann, django_capture_on_commit_callbacks
):
    told = []

    def hear(sender, shop_id, stage_ids, **_) -> None:
        told.append((shop_id, stage_ids))

    weed = stage(job, "weed")
    before = Shop.objects.get(pk=shop.pk).revision
    stages_folded.connect(hear)
    try:
        with django_capture_on_commit_callbacks(execute=True):
            outcome = send(shop, press(1, "start", weed, 0, ann))
        assert outcome.revision > before
        assert told == []
        with django_capture_on_commit_callbacks(execute=True):
            send(shop, press(2, "finish", weed, 5, ann))
        assert told == [(shop.pk, [weed.pk])]
    finally:
        stages_folded.disconnect(hear)


def test_a_recorded_sitting_is_folded_as_it_was_recorded(shop, job, ann):
    wide = Machine.objects.get(name="Wide")
    ClockEvent.objects.create(
        id=UUID(int=7), shop=shop, kind=TapKind.SITTING, stage=stage(job, "print"), person=ann, machine=wide,
        at=NINE, until=NINE + timedelta(hours=2), hands_on_min=20.0, device_at=NINE, received_at=NINE,
    )  # fmt: skip
    refold(shop, [stage(job, "print").pk])
    lengths = {row.kind: row.ends_at - row.starts_at for row in Interval.objects.of(shop)}
    assert lengths == {"hands_on": timedelta(minutes=20), "machine": timedelta(hours=2)}
    incremental = rows(shop)
    fold_shop(shop)
    assert rows(shop) == incremental


def test_a_hold_is_right_when_what_it_follows_is_left_out_taken_in_or_added(shop, job, ann):
    printing, outgas = stage(job, "print"), stage(job, "outgas")
    send(shop, press(1, "start", printing, 0, ann), press(2, "finish", printing, 30, ann))
    for change in (
        lambda: stage_leave_out(outgas),
        lambda: stage_take_in(outgas),
        lambda: stage_add(job, StageKind.objects.of(shop).get(key="weed"), after=printing),
    ):
        change()
        now = rows(shop)
        fold_shop(shop)
        assert rows(shop) == now


def test_a_hold_is_right_when_the_process_of_its_job_changes(shop, job, ann):
    send(
        shop, press(1, "start", stage(job, "print"), 0, ann), press(2, "finish", stage(job, "print"), 30, ann)
    )
    job_update(job, title=job.title, process=Process.objects.of(shop).get(name="Latex"))
    now = rows(shop)
    assert not any(interval[1] == IntervalKind.HOLD for interval in now["intervals"])
    fold_shop(shop)
    assert rows(shop) == now
