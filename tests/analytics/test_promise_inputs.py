"""What a date hangs on, from the rows to the simulation: visits, film, pins, cooling, places in the queue."""

import uuid
from datetime import UTC, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from quay import enquiry, make_quay

from analytics.selectors.backlog import open_work, read_open
from analytics.services.promises import promise_accept
from analytics.services.promising import promise_compute
from jobs.models import ClockEvent, Job, JobStatus, Stage
from jobs.services.clock import fold_shop
from jobs.services.times import Times
from shop.errors import BadInput
from shop.models import Closure, Machine, MachineKind, Media

pytestmark = pytest.mark.django_db

MONDAY = datetime(2026, 11, 30, 9, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)


@pytest.fixture
def shop():
    return make_quay()


def window_job(shop, times=None, **more):
    return enquiry(shop, job_type="Window graphics", requested=["travel"], times=times, **more)


def by_kind(work, job):
    """The simulated stages of a job by the key of their kind."""
    kinds = dict(Stage.objects.filter(job=job).values_list("pk", "kind__key"))
    return {kinds[stage.key]: stage for stage in work.stages if stage.key in kinds}


def test_a_visit_holds_what_is_done_there_and_the_way_begins_before_it(shop):
    visit = (MONDAY + 48 * HOUR, MONDAY + 52 * HOUR)
    job = window_job(shop, Times(None, [visit]))
    stages = by_kind(open_work(shop, job, MONDAY), job)
    assert stages["clean"].windows == stages["install"].windows == ((2880.0, 3120.0),)
    travel = float(stages["travel"].hands_on.quantiles[102])  # the middle of 205: the median
    assert stages["travel"].windows == ((pytest.approx(2880.0 - travel), pytest.approx(3120.0 - travel)),)
    assert stages["print"].windows == ()


def test_the_installation_begins_within_the_visit(shop):
    visit = (MONDAY + 48 * HOUR, MONDAY + 52 * HOUR)
    outlook = promise_compute(shop, window_job(shop, Times(None, [visit])), now=MONDAY, runs=256)
    assert visit[0] < outlook.quantiles[0.5] < visit[1] + 4 * HOUR
    assert "visit" in {drive.cause for drive in outlook.drives}


def test_film_on_its_way_holds_the_print_and_not_the_artwork(shop):
    job = window_job(shop, Times(MONDAY + 24 * HOUR))
    stages = by_kind(open_work(shop, job, MONDAY), job)
    assert {key for key, stage in stages.items() if stage.ready_at == 1440.0} == {"load", "print"}
    cut = enquiry(shop, "Cut only", "Lettering", times=Times(MONDAY + 24 * HOUR))
    stages = by_kind(open_work(shop, cut, MONDAY), cut)
    assert {key for key, stage in stages.items() if stage.ready_at == 1440.0} == {"cut"}


def test_a_pin_a_place_and_the_odds_of_a_date_reach_the_book(shop):
    job = enquiry(shop)
    promise_accept(promise_compute(shop, job, now=MONDAY, runs=32, confidence=0.9), user=None)
    Job.objects.filter(pk=job.pk).update(turn_at=MONDAY + HOUR)
    Stage.objects.filter(job=job, kind__key="print").update(pinned_at=MONDAY + 2 * HOUR)
    work = open_work(shop, None, MONDAY)
    assert (work.jobs[0].turn, work.jobs[0].confidence) == (60.0, 0.9)
    assert by_kind(work, job)["print"].pinned == 120.0


def test_the_film_of_the_last_print_is_on_the_machine_and_it_is_still_hot(shop):
    gloss, matt = (Media.objects.create(shop=shop, name=name, width_mm=1370) for name in ("Gloss", "Matt"))
    machine = Machine.objects.get(kind=MachineKind.PRINTER)
    machine.loaded_media, machine.cool_down_min = gloss, 30
    machine.save()
    before = next(one for one in open_work(shop, None, MONDAY).spec.machines if one.key == machine.pk)
    assert (before.loaded, before.hot_until) == (gloss.pk, 0.0)
    job = enquiry(shop, media=matt)
    stage = job.stages.get(kind__key="print")
    for kind, at in (("start", MONDAY - HOUR), ("finish", MONDAY - HOUR / 6)):
        ClockEvent.objects.create(
            id=uuid.uuid4(), shop=shop, stage=stage, kind=kind, machine=machine, at=at, device_at=at, received_at=at
        )  # fmt: skip
    fold_shop(shop, announce=False)
    after = next(one for one in open_work(shop, None, MONDAY).spec.machines if one.key == machine.pk)
    assert (after.loaded, after.cool_min, after.hot_until) == (matt.pk, 30.0, 20.0)


def test_many_jobs_take_as_many_queries_as_one(shop):
    def queries() -> int:
        with CaptureQueriesContext(connection) as seen:
            read_open(shop, None, MONDAY)
        return len(seen)

    def add(count: int) -> None:
        for _ in range(count):
            enquiry(shop)
        Job.objects.update(status=JobStatus.PROMISED)

    add(1)
    queries()  # what was learned is kept from here on
    few = queries()
    add(5)
    assert queries() == few


def test_a_job_takes_its_turn_by_its_own_date_and_not_behind_what_is_due_next_month(shop):
    for _ in range(8):
        far = enquiry(shop)
        Job.objects.filter(pk=far.pk).update(status=JobStatus.PROMISED, due_at=MONDAY + timedelta(days=40))
    asked = enquiry(shop)
    outlook = promise_compute(shop, asked, now=MONDAY, runs=256)
    assert outlook.book.jobs[outlook.book.target].turn < 40 * 1440
    assert outlook.quantiles[0.8] < MONDAY + timedelta(days=3)


def test_visits_that_are_over_are_said_and_the_job_is_not_dated(shop):
    job = window_job(shop, Times(None, [(MONDAY - 48 * HOUR, MONDAY - 47 * HOUR)]))
    with pytest.raises(BadInput, match="can be visited are over") as refused:
        promise_compute(shop, job, now=MONDAY, runs=64)
    assert refused.value.field == "visits"


def test_a_visit_too_soon_to_be_ready_for_is_said(shop):
    job = window_job(shop, Times(None, [(MONDAY, MONDAY + HOUR / 2)]))
    with pytest.raises(BadInput, match="not ready before the last of the customer's times"):
        promise_compute(shop, job, now=MONDAY, runs=64)


def test_a_job_that_is_late_already_stands_in_nobodys_way_of_an_answer(shop):
    late = enquiry(shop)
    Job.objects.filter(pk=late.pk).update(status=JobStatus.PROMISED, due_at=MONDAY - timedelta(days=3))
    outlook = promise_compute(shop, enquiry(shop), now=MONDAY, runs=256)
    assert outlook.promised_at > MONDAY
    assert outlook.harm == ()  # it cannot be kept with the new job or without


def test_over_a_change_of_the_clocks_the_date_stays_within_the_shops_hours():
    shop = make_quay("spring")
    shop.time_zone = "Europe/London"
    shop.save()
    friday = datetime(2027, 3, 26, 15, 0, tzinfo=UTC)  # summer time begins on that Sunday
    outlook = promise_compute(shop, enquiry(shop, "Solvent"), now=friday, runs=256)
    local = [shop.local(at) for at in outlook.curve]
    assert {at.weekday() for at in local} <= set(range(5))
    assert all((at.hour, at.minute) >= (9, 0) and (at - timedelta(seconds=1)).hour < 17 for at in local)


def test_a_shop_that_is_closed_this_week_says_next_week(shop):
    Closure.objects.create(shop=shop, starts_on=MONDAY.date(), ends_on=MONDAY.date() + timedelta(days=6))
    outlook = promise_compute(shop, enquiry(shop), now=MONDAY, runs=128)
    assert outlook.curve[0] > MONDAY + timedelta(days=7)
