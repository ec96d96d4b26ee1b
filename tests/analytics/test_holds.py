"""Holds and waits: elapsed time with nobody there, learned like any other stage; sums that can be done by hand."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest

from analytics.engine.trade import defaults_for
from analytics.models import Sample
from analytics.selectors.backlog import book_of
from analytics.selectors.durations import Period, kind_spreads
from analytics.selectors.history import job_records
from analytics.selectors.job_forecast import job_forecast, jobs_to_forecast
from analytics.selectors.models import learned
from analytics.selectors.samples import UNBEGUN
from analytics.selectors.wall import wall
from analytics.services.learning import learn_shop, sweep_shop
from jobs.models import Attendance, Category, ClockEvent, Job, JobStatus, Stage, StageEdge, TapKind
from jobs.services.changes import Move
from jobs.services.clock import fold_shop
from jobs.services.corrections import correct
from jobs.services.routes import stage_kind_create
from shop.models import Skill
from tests.analytics.derived import a_job, learned_rows
from tests.analytics.floor import QuayFloor, at

pytestmark = pytest.mark.django_db

FRIDAY, NEXT_MONDAY, NEXT_TUESDAY = 4, 7, 8
DAY_MIN = 1440.0


@pytest.fixture
def floor() -> QuayFloor:
    return QuayFloor()


def follows(before: Stage, after: Stage) -> None:
    StageEdge.objects.create(shop=before.shop, before=before, after=after)


def sent_for_approval(floor: QuayFloor, when: datetime, job: Job | None = None) -> Stage:
    """An approval that waits from `when` on: its artwork, of an hour, is finished then."""
    artwork = floor.stage("artwork", job)
    approval = floor.stage("approval", artwork.job)
    follows(artwork, approval)
    floor.press("start", artwork, when - timedelta(hours=1))
    floor.press("finish", artwork, when)
    return approval


def approved(floor: QuayFloor, hours: float, when: datetime) -> Stage:
    approval = sent_for_approval(floor, when)
    floor.press("finish", approval, when + timedelta(hours=hours))
    return approval


def test_a_wait_counts_from_the_finish_before_it_through_nights_and_the_weekend(floor: QuayFloor) -> None:
    approval = sent_for_approval(floor, at(15, FRIDAY))
    floor.press("finish", approval, at(9.5, NEXT_MONDAY))
    sweep_shop(floor.shop)
    sample = Sample.objects.get(stage=approval)
    # Friday 15:00 to Monday 09:30: 9 hours, two days, 9.5 hours.
    assert (sample.hands_on_min, sample.unattended_min) == (0.0, (9 + 48 + 9.5) * 60)
    assert (sample.used, sample.why, sample.person) == (True, "", None)
    assert learned(floor.shop).state("approval", "unattended").n == 1


def test_a_customer_who_takes_long_makes_no_work_longer(floor: QuayFloor) -> None:
    approvals = [floor.stage("approval") for _ in range(6)]
    weeds = [floor.stage("weed", approval.job) for approval in approvals]
    for approval, hours in zip(approvals, (20, 24, 28, 24, 2, 160), strict=True):
        floor.press("start", approval, at(9, -20))
        floor.press("finish", approval, at(9, -20) + timedelta(hours=hours))
    sweep_shop(floor.shop)
    left = []
    for weed in weeds[-2:]:
        job = jobs_to_forecast(floor.shop).get(pk=weed.job_id)
        left += [row.left.p50 for row in job_forecast(job, at(12)).rows if row.stage == weed]
    assert left[1] == pytest.approx(left[0], rel=0.01)


def test_a_wait_that_somebody_started_counts_from_their_press(floor: QuayFloor) -> None:
    delivery = floor.stage("media-delivery")
    floor.press("start", delivery, at(10))
    floor.press("finish", delivery, at(11, 2))
    sweep_shop(floor.shop)
    assert Sample.objects.get(stage=delivery).unattended_min == 49 * 60


def test_a_wait_whose_beginning_nobody_clocked_is_not_learned_and_says_so(floor: QuayFloor) -> None:
    delivery = floor.stage("media-delivery")
    floor.press("finish", delivery, at(11, 2))
    sweep_shop(floor.shop)
    sample = Sample.objects.get(stage=delivery)
    assert (sample.unattended_min, sample.used, sample.why) == (0.0, False, UNBEGUN)


def test_a_hold_of_set_length_is_no_sample(floor: QuayFloor) -> None:
    approval = sent_for_approval(floor, at(9))
    Stage.objects.filter(pk=approval.pk).update(hold_min=60)
    fold_shop(floor.shop, announce=False)
    sweep_shop(floor.shop)
    approval.refresh_from_db()
    assert approval.finished_at == at(10)
    assert not Sample.objects.filter(stage=approval).exists()


def test_a_late_correction_of_its_end_is_learned_again_as_if_it_had_come_at_once(floor: QuayFloor) -> None:
    approvals = [approved(floor, hours, at(9, day)) for hours, day in ((20, -14), (30, -10), (4, -6))]
    sweep_shop(floor.shop)
    wrong = ClockEvent.objects.get(stage=approvals[0], kind=TapKind.FINISH)
    later = Move(wrong.pk, at(9, -14) + timedelta(hours=44))
    correct(approvals[0].job, later, reason="It came the day after", user=None, now=at(9))
    sweep_shop(floor.shop)
    minutes = Sample.objects.order_by("finished_at").filter(kind__key="approval")
    assert [one.unattended_min / 60 for one in minutes] == [44.0, 30.0, 4.0]
    step_by_step = learned_rows(floor.shop)
    learn_shop(floor.shop)
    assert learned_rows(floor.shop) == step_by_step


def test_twelve_answers_within_the_day_outweigh_the_trade_default(floor: QuayFloor) -> None:
    default = defaults_for("approval", "unattended").typical_minutes
    for n in range(12):
        approved(floor, 3 + n % 3, at(9, n - 40))
    sweep_shop(floor.shop)
    forecast = learned(floor.shop).forecast("approval", "unattended", {}, {"job_type": "Lettering"})
    assert not forecast.is_default
    assert 3 * 60 < forecast.quantile(0.5) < 8 * 60 < default == DAY_MIN


def test_a_hold_of_the_shops_own_takes_its_time_before_anything_is_known_of_it(floor: QuayFloor) -> None:
    kind = stage_kind_create(
        shop=floor.shop, name="Curing", category=Category.HOLD, attendance=Attendance.NOBODY
    )
    forecast = learned(floor.shop).forecast(kind.key, "unattended", {}, {})
    assert forecast.is_default
    assert forecast.quantile(0.5) == pytest.approx(DAY_MIN, rel=0.1)
    assert forecast.quantile(0.05) > 60
    assert learned(floor.shop).forecast(kind.key, "hands_on", {}, {}).quantile(0.95) == 0.0


@pytest.mark.parametrize("clocked", [False, True])
def test_a_wait_that_lasts_is_forecast_given_that_it_has_lasted(floor: QuayFloor, clocked: bool) -> None:
    """Sent on Monday at nine, looked at a day later: 1440 minutes have passed, however it began."""
    if clocked:
        approval = floor.stage("approval")
        floor.press("start", approval, at(9))
    else:
        approval = sent_for_approval(floor, at(9))
    book = book_of(floor.shop, None, at(9, 1))
    (operation,) = book.plan.operations
    column = book.plan.columns[operation.unattended]
    assert (operation.attended, operation.release, column.elapsed) == (-1, 0.0, DAY_MIN)
    assert column.apart


def test_a_wait_that_is_to_begin_has_not_lasted(floor: QuayFloor) -> None:
    floor.ann.skills.set(Skill.objects.of(floor.shop))
    artwork = floor.stage("artwork")
    follows(artwork, floor.stage("approval", artwork.job))
    book = book_of(floor.shop, None, at(9, 1))
    waits = [one for one in book.plan.operations if one.attended < 0]
    assert [book.plan.columns[one.unattended].elapsed for one in waits] == [0.0]
    assert sum(column.apart for column in book.plan.columns) == 1  # the artwork is not


def test_the_board_says_when_a_wait_that_lasts_is_likely_over(floor: QuayFloor) -> None:
    approval = floor.stage("approval")
    floor.press("start", approval, at(16, FRIDAY))
    now = at(16, FRIDAY + 1)
    (run,) = wall(floor.shop, now).running
    law = learned(floor.shop).forecast("approval", "unattended", {}, {"job_type": "Lettering"})
    left = [float(law.quantile(law.cdf(DAY_MIN) + p * (1 - law.cdf(DAY_MIN)))) - DAY_MIN for p in (0.5, 0.8)]
    assert run.ends is not None
    assert [(end - now) / timedelta(minutes=1) for end in run.ends] == pytest.approx(left, rel=1e-3)
    assert (run.is_set, run.is_default) == (False, True)


def test_waits_enter_neither_the_totals_of_jobs_nor_the_backtest(floor: QuayFloor) -> None:
    job = a_job(floor.shop)
    approval = sent_for_approval(floor, at(10), job)
    floor.press("finish", approval, at(10, 2))
    job.refresh_from_db()
    sweep_shop(floor.shop)
    assert job.status == JobStatus.FINISHED
    (record,) = job_records(floor.shop)
    assert [(one.stage, one.hands_on + one.unattended) for one in record.stages] == [("Artwork", 60.0)]


def test_the_page_of_durations_shows_waits_by_themselves(floor: QuayFloor) -> None:
    approved(floor, 48, at(10))
    sweep_shop(floor.shop)
    found = {one.kind.key: (one.n, one.minutes) for one in kind_spreads(floor.shop, Period())}
    assert found == {"artwork": (1, 60.0), "approval": (1, 2880.0)}
