"""Work that may come in later: how often, with what lead, and when none is assumed."""

from datetime import time, timedelta

import pytest
from quay import MONDAY, enquiry, make_quay, past

from analytics.engine.hours import weekly
from analytics.selectors.arrivals import later_work
from analytics.selectors.backlog import read_open
from analytics.selectors.models import learned_stages
from analytics.services.promises import promise_accept, promise_take_back
from analytics.services.promising import promise_compute
from analytics.words.promise import say_later
from jobs.models import Job, Stage, StageState
from shop.models import Machine, MachineKind

pytestmark = pytest.mark.django_db

OPEN = {day: [(time(9), time(17))] for day in range(5)}


@pytest.fixture
def shop():
    return make_quay()


def assumed(shop, now=MONDAY):
    reading = read_open(shop, None, now)
    return later_work(shop, now, learned_stages(shop), reading.work.spec)


def test_a_job_each_open_day_comes_in_once_in_eight_working_hours(shop):
    past(shop, 20)
    found = assumed(shop)
    # Twenty weekdays end on the Friday: the first of them set the clock, nineteen came in after it.
    first = MONDAY - timedelta(days=28)
    days = (MONDAY.replace(hour=0) - first) / timedelta(days=1)
    whole = weekly(MONDAY.replace(hour=0) - timedelta(days=-(-days // 1)), "UTC", OPEN, 40)
    assert found.jobs == 20
    assert found.later.gap == pytest.approx(float(whole.work(1440.0 * -(-days // 1))) / 19)
    assert 400 < found.later.gap < 560
    assert {job.lead for job in found.later.templates} == {4 * 1440.0}
    assert "the 20 that came in" in say_later(found)


def test_what_may_come_has_nothing_done_of_it_and_its_own_size(shop):
    past(shop, 12)
    stages = assumed(shop).later.templates[0].stages
    route = [stage.kind.key for stage in Job.objects.first().stages.all() if not stage.left_out]
    assert len(stages) == len(route)
    assert all(stage.ready_at == 0.0 and stage.running is None for stage in stages)
    # Nothing was written: the past is as it was.
    assert not Stage.objects.exclude(state=StageState.FINISHED).exists()


def test_imported_jobs_without_dates_have_the_usual_turnaround(shop):
    past(shop, 12, dated=False)
    assert {job.lead for job in assumed(shop).later.templates} == {2 * 1440.0}


@pytest.mark.parametrize(
    ("count", "why", "said"), [(9, "few", "Only 9 jobs"), (0, "few", "No job"), (12, "off", "settings say")]
)
def test_none_is_assumed_from_few_or_where_the_shop_says_so_and_it_is_said(shop, count, why, said):
    past(shop, count)
    shop.expects_arrivals = why != "off"
    found = assumed(shop)
    assert (found.later, found.why) == (None, why)
    assert said in say_later(found)


def test_a_promise_counts_from_when_it_was_given_unless_it_was_taken_back(shop):
    shop.expects_arrivals = False
    friday = MONDAY - timedelta(days=3)
    jobs = [enquiry(shop) for _ in range(11)]
    made = [promise_accept(promise_compute(shop, job, now=friday, runs=32), user=None) for job in jobs]
    promise_take_back(made[0])
    shop.expects_arrivals = True
    found = assumed(shop)
    assert found.jobs == 10
    assert max(found.leads) == pytest.approx(
        max((one.promised_at - friday) / timedelta(minutes=1) for one in made[1:])
    )


def test_what_the_shop_cannot_make_any_more_does_not_come(shop):
    past(shop, 12)
    Machine.objects.filter(kind=MachineKind.PRINTER).delete()
    assert (assumed(shop).later, assumed(shop).why) == (None, "closed")


def test_work_to_come_makes_a_busy_shops_date_later_and_takes_nothing_from_a_rush(shop):
    past(shop, 40, lead=timedelta(hours=2))
    asked = enquiry(shop)
    alone, with_later = [], []
    for expects, found in ((False, alone), (True, with_later)):
        shop.expects_arrivals = expects
        found.append(promise_compute(shop, asked, now=MONDAY, runs=1024).quantiles[0.8])
    assert with_later[0] >= alone[0]
    Job.objects.filter(pk=asked.pk).update(turn_at=MONDAY)  # ahead of whatever comes in
    first = []
    for expects in (False, True):
        shop.expects_arrivals = expects
        first.append(promise_compute(shop, asked, now=MONDAY, runs=1024).quantiles[0.8])
    assert first[0] == first[1]
