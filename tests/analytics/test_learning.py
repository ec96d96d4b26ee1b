"""Each finished stage is learned exactly once, whatever the order in which the news of it comes."""

import random
from collections.abc import Callable, Collection
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from django.db import connection
from kombu import Connection
from kombu.pools import ProducerPool

from analytics import tasks
from analytics.engine import digest
from analytics.engine.durations import Observation, State, update
from analytics.engine.hours import to_minutes
from analytics.models import ModelState, PooledState, Sample, StageDay
from analytics.selectors.models import learned
from analytics.selectors.samples import EPOCH, FORGOTTEN, NOTHING, unused_counts
from analytics.services import learning
from analytics.services.learning import learn_shop, learn_stage, relearn_kind, sweep_shop
from jobs.models import ClockEvent, Item, Stage, TapKind
from jobs.signals import stages_folded
from shop.models import Machine, MachineKind, Person, Shop
from shop.services import shop_create, weekday_hours_create
from tests.analytics.derived import MONDAY, a_job, a_kind, finish, learned_rows, reopen

pytestmark = pytest.mark.django_db

DAY = timedelta(days=1)


@pytest.fixture
def shop() -> Shop:
    shop = shop_create(slug="quay", name="Quay Signs", time_zone="Europe/London")
    weekday_hours_create(shop)
    return shop


def test_a_finished_stage_becomes_a_sample_with_what_its_time_hangs_on(shop: Shop) -> None:
    ann = Person.objects.create(shop=shop, name="Ann")
    printer = Machine.objects.create(shop=shop, name="Wide", kind=MachineKind.PRINTER)
    job = a_job(shop, "Window graphics")
    Item.objects.create(shop=shop, job=job, width_mm=1000, height_mm=500, count=4)
    stage = finish(job, "print", 12, MONDAY, alone=30, person=ann, machine=printer, film="matt", passes=8)
    assert learn_stage(stage.pk)
    sample = Sample.objects.get()
    assert (sample.hands_on_min, sample.unattended_min, sample.used) == (12.0, 30.0, True)
    assert sample.categories == {
        "job_type": "Window graphics",
        "person": "Ann",
        "machine": "Wide",
        "film": "matt",
    }
    assert sample.drivers == {
        "area_m2": 2.0, "cut_m": 12.0, "pieces": 4.0, "panels": 4.0, "layers": 1.0, "passes": 8.0,
    }  # fmt: skip
    assert (sample.person, sample.machine) == (ann, printer)
    assert set(sample.pit) == {"hands_on", "unattended"}


def test_the_stored_state_is_the_engines_own_after_the_same_stages(shop: Shop) -> None:
    job, expected = a_job(shop), State.empty("weed")
    for n, minutes in enumerate((20.0, 31.5, 8.25)):
        stage = finish(job, "weed", minutes, MONDAY + n * DAY, area_m2=1.0 + n)
        learn_stage(stage.pk)
        at = to_minutes(EPOCH, MONDAY + n * DAY)
        seen = Observation(minutes, {"area_m2": 1.0 + n}, {"job_type": "Lettering"}, at)
        expected = update(expected, seen)
    row = ModelState.objects.get(kind__key="weed", part="hands_on")
    assert row.state == expected.to_dict()
    assert (row.n, row.last_at, row.last_stage) == (3, MONDAY + 2 * DAY, stage.pk)


def test_learning_the_same_stage_again_changes_nothing(shop: Shop) -> None:
    stage = finish(a_job(shop), "weed", 20, MONDAY)
    assert learn_stage(stage.pk)
    before = learned_rows(shop)
    assert not learn_stage(stage.pk)
    assert learned_rows(shop) == before


@pytest.mark.parametrize("seed", range(4))
def test_any_order_of_news_gives_the_rows_of_learning_everything_in_order(shop: Shop, seed: int) -> None:
    """Stages finish, change and are taken back; they are learned one by one as the messages come, some twice."""
    rng = random.Random(seed)
    people = [Person.objects.create(shop=shop, name=name) for name in ("Ann", "Ben")]
    jobs = [a_job(shop, name) for name in ("Lettering", "Window graphics", "Lettering")]
    stages: list[Stage] = []
    for n in range(24):
        key = rng.choice(["weed", "print", "hemming", "welding"])
        stage = finish(
            rng.choice(jobs),
            key,
            rng.choice([0, 5, 12.5, 40, 90]),
            MONDAY + timedelta(hours=rng.randrange(300)),
            alone=rng.choice([0, 0, 25]),
            person=rng.choice(people),
            area_m2=rng.choice([0.5, 2, 9]),
        )
        stages.append(stage)
        if rng.random() < 0.7:
            learn_stage(stage.pk)
        if n % 5 == 4:
            other = rng.choice(stages)
            if rng.random() < 0.4:
                reopen(other)
            else:
                finish(
                    other.job,
                    other.kind.key,
                    33 + n,
                    MONDAY + timedelta(hours=rng.randrange(300)),
                    stage=other,
                )
            learn_stage(other.pk)
    sweep_shop(shop)
    assert Sample.objects.count() > 10
    one_by_one = learned_rows(shop)
    learn_shop(shop)
    assert learned_rows(shop) == one_by_one
    assert sweep_shop(shop) == 0


def test_a_finish_taken_back_is_forgotten(shop: Shop) -> None:
    job = a_job(shop)
    first = finish(job, "weed", 20, MONDAY)
    learn_stage(first.pk)
    before = learned_rows(shop)
    second = finish(job, "weed", 90, MONDAY + DAY)
    learn_stage(second.pk)
    assert learned_rows(shop) != before
    reopen(second)
    assert learn_stage(second.pk)
    assert learned_rows(shop) == before
    reopen(first)
    learn_stage(first.pk)
    assert not any(model.objects.exists() for model in (Sample, ModelState, StageDay))


def test_relearning_a_kind_gives_what_was_there(shop: Shop) -> None:
    job = a_job(shop)
    for n in range(6):
        learn_stage(finish(job, ("weed", "hemming")[n % 2], 20 + n, MONDAY + n * DAY).pk)
    before = learned_rows(shop)
    ModelState.objects.all().update(state={})
    for key in ("weed", "hemming"):
        relearn_kind(a_kind(shop, key))
    assert learned_rows(shop) == before


def test_two_shops_learn_apart(shop: Shop) -> None:
    other = shop_create(slug="hill", name="Hill Signs")
    finish(a_job(other), "weed", 20, MONDAY)
    assert sweep_shop(shop) == 0
    assert sweep_shop(other) == 1
    assert not Sample.objects.of(shop).exists()


def test_the_sweep_finds_what_no_message_told_of(shop: Shop) -> None:
    job = a_job(shop)
    learned_one = finish(job, "weed", 20, MONDAY)
    learn_stage(learned_one.pk)
    finish(job, "mask", 10, MONDAY)
    finish(job, "weed", 25, MONDAY + DAY, stage=learned_one)
    tasks.sweep()
    assert sorted(Sample.objects.values_list("hands_on_min", flat=True)) == [10.0, 25.0]


def test_holds_of_set_length_and_stages_left_out_are_not_learned(shop: Shop) -> None:
    job = a_job(shop)
    hold = finish(job, "outgas", 600, MONDAY)
    Stage.objects.filter(pk=hold.pk).update(hold_min=1440)
    left_out = finish(job, "weed", 20, MONDAY)
    Stage.objects.filter(pk=left_out.pk).update(left_out=True)
    assert not learn_stage(hold.pk)
    assert not learn_stage(left_out.pk)
    assert not Sample.objects.exists()


def test_a_stage_that_is_gone_is_no_error(shop: Shop) -> None:
    assert not learn_stage(987_654)


def test_a_stage_without_minutes_is_kept_but_not_learned_from(shop: Shop) -> None:
    learn_stage(finish(a_job(shop), "weed", 0, MONDAY).pk)
    assert list(Sample.objects.values_list("used", "why")) == [(False, NOTHING)]
    assert not ModelState.objects.exists()
    assert unused_counts(shop) == [(NOTHING, 1)]


def test_a_stop_forgotten_overnight_is_not_learned_from(shop: Shop) -> None:
    stage = finish(a_job(shop), "weed", 17.5 * 60, MONDAY + DAY)  # Monday 15:30 to Tuesday 09:00
    learn_stage(stage.pk)
    assert list(Sample.objects.values_list("used", "why")) == [(False, FORGOTTEN)]


def test_late_work_and_work_on_a_closed_day_are_learned_from(shop: Shop) -> None:
    job = a_job(shop)
    learn_stage(finish(job, "weed", 13 * 60, MONDAY + timedelta(hours=13, minutes=30)).pk)  # until 22:30
    learn_stage(finish(job, "weed", 9 * 60, MONDAY - 2 * DAY + timedelta(hours=9)).pk)  # on a Saturday
    assert list(Sample.objects.values_list("used", flat=True)) == [True, True]


def test_a_recorded_sitting_through_the_night_is_taken_as_it_was_written(shop: Shop) -> None:
    stage = finish(a_job(shop), "weed", 17.5 * 60, MONDAY + DAY)
    at = MONDAY + DAY - timedelta(hours=17.5)
    ClockEvent.objects.create(
        id="1f0e4f5e-8a55-4f0b-9d5e-5d8f1f8f7a10", shop=shop, kind=TapKind.SITTING, stage=stage,
        at=at, until=MONDAY + DAY, device_at=at, received_at=at,
    )  # fmt: skip
    learn_stage(stage.pk)
    assert Sample.objects.get().used


def test_days_count_in_the_shops_zone_and_add_up(shop: Shop) -> None:
    job = a_job(shop)
    late = datetime(2026, 6, 1, 23, 30, tzinfo=UTC)  # already Tuesday in London
    minutes = [5.0, 20.0, 20.5, 90.0]
    for n, length in enumerate(minutes):
        learn_stage(finish(job, "weed", length, late + n * timedelta(minutes=1)).pk)
    learn_stage(finish(job, "weed", 0, late).pk)
    cell = StageDay.objects.get()
    assert (cell.day.isoformat(), cell.n, cell.minutes) == ("2026-06-02", 4, sum(minutes))
    bins = digest.from_stored(cell.bins)
    assert digest.quantile(bins, 0.8) == pytest.approx(np.quantile(minutes, 0.8), rel=0.03)


def test_what_was_learned_forecasts_the_next_stage(shop: Shop) -> None:
    job = a_job(shop)
    for n in range(12):
        learn_stage(finish(job, "hemming", 40 + n % 3, MONDAY + n * DAY).pk)
    forecast = learned(shop).forecast("hemming", "hands_on", {}, {"job_type": "Lettering"})
    assert forecast.quantile(0.5) == pytest.approx(41, abs=3)
    assert forecast.n == 12
    assert learned(shop).forecast("weed", "hands_on", {}, {}).is_default
    assert PooledState.objects.get(part="hands_on").n == 12


def dead_folder() -> Connection:
    """A folder broker whose folder cannot be made."""
    return Connection(
        "filesystem://", transport_options=dict.fromkeys(("data_folder_in", "data_folder_out"), "/proc/none")
    )


def dead_server() -> Connection:
    """A broker at a port where nobody answers."""
    return Connection("redis://127.0.0.1:1/0", transport_options={"max_retries": 1, "interval_start": 0})


@pytest.mark.parametrize("broker", [dead_folder, dead_server])
def test_with_the_broker_down_it_is_logged_and_the_sweep_does_it(
    shop: Shop,
    broker: Callable[[], Connection],
    caplog: pytest.LogCaptureFixture,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    app = tasks.learn_stage.app
    before = app.conf.task_always_eager
    app.conf.task_always_eager = False
    monkeypatch.setattr(app.amqp, "_producer_pool", ProducerPool(broker().Pool(1)))
    stage = finish(a_job(shop), "weed", 20, MONDAY)
    try:
        stages_folded.send(sender=Stage, shop_id=shop.pk, stage_ids=[stage.pk])
    finally:
        app.conf.task_always_eager = before
    assert "waits for the sweep" in caplog.text
    assert not Sample.objects.exists()
    tasks.sweep()
    assert Sample.objects.get().stage == stage


@pytest.mark.parametrize("times", [1, 5])
def test_what_was_worked_out_while_another_worker_learned_is_worked_out_again(
    shop: Shop, times: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another worker learns a stage between the working out and the writing: once, or again and again."""
    job = a_job(shop)
    first = finish(job, "hemming", 20, MONDAY)
    others = [finish(job, "welding", 10 + n, MONDAY - DAY + n * timedelta(hours=1)) for n in range(times)]
    plan_stages, outside = learning._plan_stages, len(connection.savepoint_ids)

    def overtaken(shop: Shop, stage_ids: Collection[int]) -> learning.Plan:
        plan = plan_stages(shop, stage_ids)
        if others and stage_ids == [first.pk] and len(connection.savepoint_ids) == outside:
            learn_stage(others.pop().pk)
        return plan

    monkeypatch.setattr(learning, "_plan_stages", overtaken)
    assert learn_stage(first.pk)
    monkeypatch.undo()
    sweep_shop(shop)
    one_by_one = learned_rows(shop)
    assert len(one_by_one["Sample"]) == 1 + times
    learn_shop(shop)
    assert learned_rows(shop) == one_by_one
