"""The watch: how open jobs stand, when a promise slips and when that is over, and what would save it."""

from datetime import timedelta
from itertools import pairwise

import numpy as np
import pytest
from django.utils.dateparse import parse_datetime
from quay import enquiry, make_quay
from watch_worlds import MONDAY, lies, moved, promise_by

from analytics import tasks
from analytics.engine.book import draws, look
from analytics.engine.savers import changes, next_stage, without
from analytics.models import JobOutlook, Slip
from analytics.selectors.backlog import open_work
from analytics.selectors.outlooks import outlooks, outlooks_now, slipping_count, watch_is_due, watched
from analytics.selectors.wall import due_odds
from analytics.services import watching
from analytics.services.rebuilding import rebuild_shop
from analytics.services.saving import futures_of, savers_of
from analytics.services.slips import CALM, Standing, is_slipping, slips_settle
from analytics.services.watching import shops_due, watch_shop, why_unknown
from jobs.drivers import ItemSize
from jobs.models import Job, JobStatus
from shop.models import Machine, MachineKind, OpeningHours, Shop

pytestmark = pytest.mark.django_db

HOUR = timedelta(hours=1)


@pytest.fixture
def shop():
    return make_quay()


def later(shop, now):
    """Watch again after something happened."""
    moved(shop)
    return watch_shop(shop, now)


# How the jobs stand.


def test_a_hold_of_set_length_ends_when_it_can_be_added_up_to(shop):
    """Nobody is needed and it lies day and night: begun now, ten hours later it is done, in every future."""
    job = lies(shop, 600)
    promise_by(job, MONDAY + 11 * HOUR)
    assert watch_shop(shop, MONDAY) == []
    one = outlooks(shop)[job.pk]
    assert {parse_datetime(at) for at in one.quantiles.values()} == {MONDAY + 10 * HOUR}
    assert (one.chance, one.runs, one.revision) == (1.0, 1000, Shop.objects.get().revision)


def test_quantiles_rise_and_the_chance_is_that_of_the_date(shop):
    job = enquiry(shop, items=[ItemSize(1000, 1000, 5)])
    promise_by(job, MONDAY + timedelta(days=30))
    watch_shop(shop, MONDAY)
    said = outlooks(shop)[job.pk].quantiles
    at = [parse_datetime(said[p]) for p in ("0.1", "0.25", "0.5", "0.8", "0.95")]
    assert all(a <= b for a, b in pairwise(at))
    # A date that is promised where eight futures in ten are done has that chance: it is the same draws.
    Job.objects.filter(pk=job.pk).update(due_at=at[3])
    job.promises.update(promised_at=at[3])
    later(shop, MONDAY)
    assert outlooks(shop)[job.pk].chance == pytest.approx(0.8, abs=0.0011)


def test_a_date_without_a_promise_has_a_chance_and_does_not_slip(shop):
    job = lies(shop, 600)
    Job.objects.filter(pk=job.pk).update(status=JobStatus.IN_HAND, due_at=MONDAY + HOUR)
    assert watch_shop(shop, MONDAY) == []
    assert outlooks(shop)[job.pk].chance == 0.0
    assert slipping_count(shop) == 0


def test_the_newest_promise_that_was_not_taken_back_counts(shop):
    job = lies(shop, 600)
    promise_by(job, MONDAY + 11 * HOUR)
    newest = promise_by(job, MONDAY + HOUR, made_at=MONDAY + timedelta(minutes=1))
    watch_shop(shop, MONDAY)
    assert outlooks(shop)[job.pk].chance == 0.0
    newest.withdrawn_at = MONDAY
    newest.save()
    later(shop, MONDAY)
    assert outlooks(shop)[job.pk].chance == 1.0


# When it is worked out.


def test_it_is_worked_out_after_a_press_and_every_five_minutes_and_not_else(shop, monkeypatch):
    assert not watch_is_due(shop, MONDAY)  # no work, nothing to watch
    promise_by(lies(shop, 600), MONDAY + 11 * HOUR)
    assert shops_due(MONDAY) == [shop.pk]
    watch_shop(shop, MONDAY)
    assert shops_due(MONDAY + timedelta(minutes=4, seconds=59)) == []
    assert shops_due(MONDAY + timedelta(minutes=5)) == [shop.pk]
    assert set(outlooks_now(shop, MONDAY) or {}) == {Job.objects.get().pk}
    moved(shop)
    assert shops_due(MONDAY) == [shop.pk]
    assert outlooks_now(shop, MONDAY) is None
    watch_shop(shop, MONDAY)
    asked = []
    monkeypatch.setattr(watching, "futures_of", lambda *_: asked.append(1))
    watch_shop(shop, MONDAY)  # a second message for the same press
    assert asked == []


def test_a_worker_that_took_longer_does_not_write_over_a_later_state(shop, monkeypatch):
    job = lies(shop, 600)
    promise_by(job, MONDAY + 11 * HOUR)
    real = watching.futures_of

    def overtaken(shop, now):
        """While this worker draws, the date is moved and another worker is done with that."""
        found = real(shop, now)
        monkeypatch.setattr(watching, "futures_of", real)
        promise_by(job, MONDAY + HOUR, made_at=MONDAY + timedelta(minutes=1))
        assert len(watch_shop(Shop.objects.get(), MONDAY)) == 1
        return found

    monkeypatch.setattr(watching, "futures_of", overtaken)
    assert watch_shop(shop, MONDAY) == []
    assert outlooks(shop)[job.pk].chance == 0.0
    assert Slip.objects.count() == 1


def test_finished_jobs_are_watched_no_more_and_outlooks_are_derived(shop):
    job = lies(shop, 600)
    promise_by(job, MONDAY + 11 * HOUR)
    watch_shop(shop, MONDAY)
    rebuild_shop(shop)
    assert JobOutlook.objects.count() == 0
    Job.objects.filter(pk=job.pk).update(status=JobStatus.PROMISED)
    watch_shop(shop, MONDAY)
    assert JobOutlook.objects.count() == 1
    Job.objects.filter(pk=job.pk).update(status=JobStatus.CANCELLED)
    later(shop, MONDAY)
    assert JobOutlook.objects.count() == 0
    assert not watch_is_due(shop, MONDAY)


@pytest.mark.parametrize("wrong", ["machine", "hours"])
def test_where_nothing_can_be_said_it_is_said_why_and_not_tried_all_the_time(shop, wrong):
    promise_by(enquiry(shop), MONDAY + HOUR)
    if wrong == "machine":
        Machine.objects.filter(kind=MachineKind.CUTTER).delete()
    else:
        OpeningHours.objects.all().delete()
    (slip,) = watch_shop(shop, MONDAY)
    why, left_out = why_unknown(shop, MONDAY)
    assert slip.why == (why or left_out[0].why)
    assert ("No opening hours" in why) if wrong == "hours" else ("Add one under Shop" in left_out[0].why)
    assert outlooks(shop) == {}
    assert shops_due(MONDAY + timedelta(minutes=1)) == []
    assert [(row.outlook, row.slip) for row in watched(shop)] == [(None, slip)]


def test_the_board_on_the_wall_says_what_the_watch_worked_out(shop):
    job = lies(shop, 600)
    promise_by(job, MONDAY + 11 * HOUR)
    watch_shop(shop, MONDAY)
    JobOutlook.objects.update(chance=0.625)  # as nothing but the watch would say
    assert due_odds(shop, MONDAY) == ({job.pk: 0.625}, "")
    moved(shop)
    assert due_odds(shop, MONDAY) == ({job.pk: 1.0}, "")


# When it slips.


def test_it_slips_five_points_below_the_confidence(shop):
    """Of 100 draws at 0.8 one standard error is √(0.8·0.2/100) = 0.04 (binomial): two are the wider margin."""
    promise = promise_by(lies(shop, 600), MONDAY)
    assert not is_slipping(Standing({}, 0.75, 1000), promise)
    assert is_slipping(Standing({}, 0.749, 1000), promise)
    assert not is_slipping(Standing({}, 0.72, 100), promise)
    assert is_slipping(Standing({}, 0.71, 100), promise)
    assert not is_slipping(Standing({}, None, 0), promise)


def settle(shop, promise, chance, now):
    return slips_settle(
        shop, now, {promise.job_id: Standing({}, chance, 1000)}, {promise.job_id: promise}, {}
    )


def test_a_date_that_goes_to_and_fro_is_told_of_once(shop):
    promise = promise_by(lies(shop, 600), MONDAY)
    (slip,) = settle(shop, promise, 0.7, MONDAY)
    assert settle(shop, promise, 0.6, MONDAY + HOUR) == []
    assert settle(shop, promise, 0.77, MONDAY + HOUR) == []  # between the two nothing begins and nothing ends
    slip.refresh_from_db()
    assert (slip.chance, slip.cleared_at) == (0.7, None)
    settle(shop, promise, 0.78, MONDAY + 2 * HOUR)
    slip.refresh_from_db()
    assert slip.cleared_at == MONDAY + 2 * HOUR
    just_before = MONDAY + 2 * HOUR + CALM - timedelta(seconds=1)
    assert settle(shop, promise, 0.1, just_before) == []
    assert len(settle(shop, promise, 0.1, MONDAY + 2 * HOUR + CALM)) == 1
    assert slipping_count(shop) == 1


@pytest.mark.parametrize("how", ["finished", "cancelled", "taken back", "changed"])
def test_it_is_over_when_there_is_nothing_left_to_slip(shop, how):
    job = lies(shop, 600)
    promise = promise_by(job, MONDAY + HOUR)
    assert len(watch_shop(shop, MONDAY)) == 1
    if how == "taken back":
        promise.withdrawn_at = MONDAY
        promise.save()
    elif how == "changed":
        promise_by(job, MONDAY + 11 * HOUR, made_at=MONDAY + timedelta(minutes=1))
    else:
        Job.objects.filter(pk=job.pk).update(status=how)
        assert slipping_count(shop) == 0  # not even until the watch comes round
    assert later(shop, MONDAY + HOUR) == []
    assert slipping_count(shop) == 0
    assert Slip.objects.get().cleared_at == MONDAY + HOUR


def test_two_workers_that_notice_at_once_make_one_slip(shop, monkeypatch):
    promise = promise_by(lies(shop, 600), MONDAY)
    settle(shop, promise, 0.1, MONDAY)
    # The other one looked before the first had written.
    monkeypatch.setattr("analytics.services.slips.slips_open", lambda shop: {})
    assert settle(shop, promise, 0.1, MONDAY) == []
    assert Slip.objects.count() == 1


# What would save it.


def test_a_job_behind_others_is_saved_by_going_first_and_the_others_pay(shop):
    job = enquiry(shop)
    promise = promise_by(job, MONDAY + timedelta(days=1, hours=8))
    for _ in range(5):
        promise_by(enquiry(shop, items=[ItemSize(1000, 1000, 10)]), MONDAY + timedelta(days=1, hours=7))
    (slip,) = [one for one in watch_shop(shop, MONDAY) if one.promise_id == promise.pk]
    first = next(one for one in slip.savers if one["what"] == "first")
    assert first["chance"] > slip.chance
    assert first["harm"]
    assert all(one["after"] < one["before"] for one in first["harm"])
    # The same question asked apart, with the job's turn before all others.
    work = open_work(shop, None, MONDAY)
    index = next(i for i, one in enumerate(work.jobs) if one.number == job.number)
    book = work.with_turn(index, -1e9).book()
    then = look(book, draws(work.book(), runs=1000, seed=shop.pk)[:400]).finish[:, index]
    due = (promise.promised_at - MONDAY) / timedelta(minutes=1)
    assert first["chance"] == pytest.approx(np.mean(then <= due))


def test_where_nothing_saves_it_the_customer_is_to_be_told_a_date_that_holds(shop):
    job = lies(shop, 6000)
    promise_by(job, MONDAY + HOUR)
    (slip,) = watch_shop(shop, MONDAY)
    (tell,) = slip.savers
    assert (tell["what"], tell["saves"], tell["chance"]) == ("tell", False, 1.0)
    assert parse_datetime(tell["at"]) == MONDAY + timedelta(minutes=6000)
    assert "Friday 4 December, 13:00" in tell["words"]


def test_a_date_that_is_over_is_saved_by_nothing(shop):
    promise_by(enquiry(shop), MONDAY - HOUR)
    (slip,) = watch_shop(shop, MONDAY)
    assert [one["what"] for one in slip.savers] == ["tell"]


def test_what_would_save_it_is_kept_up_to_date_while_it_slips(shop):
    job = lies(shop, 6000)
    promise_by(job, MONDAY + HOUR)
    watch_shop(shop, MONDAY)
    later(shop, MONDAY + 24 * HOUR)
    assert parse_datetime(Slip.objects.get().savers[0]["at"]) == MONDAY + 24 * HOUR + timedelta(minutes=6000)


def test_every_change_is_looked_at_on_the_same_draws(shop):
    job = enquiry(shop)
    promise_by(job, MONDAY + timedelta(days=1))
    for days in (0.5, 3):
        promise_by(enquiry(shop), MONDAY + timedelta(days=days))
    work = open_work(shop, None, MONDAY)
    same = draws(work.book(), runs=20, seed=1)
    found = list(changes(work, 0, 24 * 60.0))
    assert {"first", "now", "longer_days", "later"} <= {one.key for one in found}
    assert all((draws(one.book, runs=20, seed=1) == same).all() for one in found)
    stage = next_stage(work, 0)
    assert stage is not None
    assert stage.name.endswith("of job 1")


def test_jobs_left_until_later_are_gone_but_for_what_is_under_way(shop):
    for days in (1, 3):
        promise_by(enquiry(shop), MONDAY + timedelta(days=days))
    book = open_work(shop, None, MONDAY).book()
    less = without(book, {1})
    assert {one.job for one in less.plan.operations} == {0}
    assert less.plan.columns == book.plan.columns
    minutes = draws(book, runs=50, seed=1)
    alone = open_work(shop, None, MONDAY)
    assert (look(less, minutes).finish[:, 0] <= look(alone.book(), minutes).finish[:, 0] + 1e-9).mean() > 0.9


def test_a_promise_that_slips_alone_is_answered_for_without_its_watch(shop):
    job = lies(shop, 600)
    promise = promise_by(job, MONDAY + 11 * HOUR)
    found = savers_of(shop, futures_of(shop, MONDAY), 0, promise)
    assert [one.what for one in found] == ["tell"]  # nothing makes what lies quicker


# How it is set off.


def test_what_a_worker_has_learned_is_followed_by_a_look_at_the_open_jobs(shop, monkeypatch):
    job = lies(shop, 600)
    asked = []
    monkeypatch.setattr(tasks, "enqueue_watches", lambda shops: asked.extend(shops))
    tasks.learn_stage(job.stages.all()[0].pk)
    assert asked == [shop.pk]
    asked.clear()
    tasks.watch()
    assert asked == []  # an enquiry is not watched
    promise_by(job, MONDAY)
    tasks.watch()
    assert asked == [shop.pk]
