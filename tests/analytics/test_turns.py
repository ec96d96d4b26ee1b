"""Places in the queue and pins: what is written, what is refused, and that the queue is then in that order."""

from datetime import UTC, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import given, settings
from hypothesis import strategies as st
from quay import enquiry, make_quay

from analytics.engine.turns import FAR, Queued, snapped, turns_for
from analytics.selectors.moves import queue_of
from analytics.services.turns import stage_pin, turns_set
from jobs.models import Job, JobStatus, Stage
from shop.errors import BadInput, ShopError

MONDAY = datetime(2026, 11, 30, 9, 0, tzinfo=UTC)


def day(n):
    return MONDAY + timedelta(days=n)


def order_after(queue, turns):
    """The keys by turn, else date, else last; as the simulation ranks them, ties by where they stood."""
    last = datetime.max.replace(tzinfo=UTC)
    at = {job.key: turns.get(job.key, job.at) or last for job in queue}
    return sorted(at, key=lambda key: (at[key], key))


def test_between_two_dates_only_the_moved_job_gets_a_turn_half_way():
    queue = [Queued(1, day(1)), Queued(2, day(3)), Queued(3, day(9))]
    assert turns_for(queue, 3, before=2) == {3: day(2)}


def test_to_the_front_and_to_the_end():
    queue = [Queued(1, day(1)), Queued(2, day(3)), Queued(3, day(9))]
    assert turns_for(queue, 3, before=1) == {3: day(1) - timedelta(hours=1)}
    assert turns_for(queue, 1, before=None) == {1: day(9) + timedelta(hours=1)}


def test_jobs_without_a_date_get_turns_after_every_date():
    queue = [Queued(1, day(1)), Queued(2, None), Queued(3, None)]
    assert turns_for(queue, 3, before=2) == {3: day(1) + timedelta(hours=1)}
    assert turns_for(queue, 1, before=3) == {2: FAR, 1: FAR + timedelta(hours=1)}


@settings(max_examples=60, deadline=None)
@given(days=st.lists(st.one_of(st.none(), st.integers(0, 3)), min_size=2, max_size=7), data=st.data())
def test_every_move_comes_out_in_the_order_asked_for(days, data):
    """Dates that are equal, missing or in the way: the moved one stands where it was put, the others as before."""
    last = datetime.max.replace(tzinfo=UTC)
    queue = [Queued(i, None if d is None else day(d)) for i, d in enumerate(days)]
    queue.sort(key=lambda job: job.at or last)
    keys = [job.key for job in queue]
    moved = data.draw(st.sampled_from(keys))
    rest = [key for key in keys if key != moved]
    before = data.draw(st.sampled_from([*rest, None]))
    place = len(rest) if before is None else rest.index(before)
    assert order_after(queue, turns_for(queue, moved, before)) == [*rest[:place], moved, *rest[place:]]


def test_a_pin_snaps_to_the_quarter_of_an_hour():
    assert snapped(MONDAY + timedelta(minutes=22)) == MONDAY + timedelta(minutes=15)
    assert snapped(MONDAY + timedelta(minutes=23)) == MONDAY + timedelta(minutes=30)


@pytest.fixture
def shop(db):
    return make_quay()


def promised(shop, days):
    job = enquiry(shop)
    Job.objects.filter(pk=job.pk).update(status=JobStatus.PROMISED, due_at=day(days))
    return Job.objects.get(pk=job.pk)


def test_a_turn_is_set_and_taken_back(shop):
    one, two = promised(shop, 1), promised(shop, 2)
    revision = shop.revision
    before = turns_set(shop, turns_for(queue_of(shop), two.pk, one.pk))
    assert [job.key for job in queue_of(shop)] == [two.pk, one.pk]
    shop.refresh_from_db()
    assert shop.revision > revision
    assert before == {two.pk: None}
    turns_set(shop, before)
    assert [job.key for job in queue_of(shop)] == [one.pk, two.pk]


def test_a_finished_job_has_no_turn_and_another_shops_is_not_found(shop):
    job = promised(shop, 1)
    Job.objects.filter(pk=job.pk).update(status=JobStatus.FINISHED)
    with pytest.raises(ShopError, match="no turn any more"):
        turns_set(shop, {job.pk: MONDAY})
    with pytest.raises(BadInput, match="not in this shop"):
        turns_set(make_quay("hill"), {job.pk: MONDAY})


def test_a_stage_is_pinned_and_unpinned(shop):
    stage = promised(shop, 1).stages.get(kind__key="print")
    assert stage_pin(stage, MONDAY, MONDAY) is None
    assert Stage.objects.get(pk=stage.pk).pinned_at == MONDAY
    assert stage_pin(stage, None) == MONDAY
    assert Stage.objects.get(pk=stage.pk).pinned_at is None


def test_what_cannot_be_pinned_says_why(shop):
    job = promised(shop, 1)
    stage = job.stages.get(kind__key="print")
    with pytest.raises(BadInput, match="is past"):
        stage_pin(stage, MONDAY - timedelta(minutes=1), MONDAY)
    Stage.objects.filter(pk=stage.pk).update(state="running")
    with pytest.raises(ShopError, match="begun already"):
        stage_pin(stage, MONDAY, MONDAY)
    Stage.objects.filter(pk=stage.pk).update(state="waiting", left_out=True)
    with pytest.raises(ShopError, match="not among the work"):
        stage_pin(stage, MONDAY, MONDAY)
    hold = job.stages.filter(kind__attendance="nobody").first()
    Stage.objects.filter(pk=hold.pk).update(left_out=False)
    with pytest.raises(ShopError, match="begins by itself"):
        stage_pin(hold, MONDAY, MONDAY)


@pytest.mark.skipif(not connection.features.has_select_for_update, reason="SQLite has no locks of rows.")
def test_the_shop_is_locked_before_its_jobs_and_stages(shop):
    """As taps do: else a tap and a move of the same job could wait for each other."""
    job = promised(shop, 1)
    for write in (
        lambda: turns_set(shop, {job.pk: MONDAY}),
        lambda: stage_pin(job.stages.get(kind__key="print"), MONDAY),
    ):
        with CaptureQueriesContext(connection) as asked:
            write()
        locks = [query["sql"] for query in asked if "FOR UPDATE" in query["sql"]]
        assert len(locks) == 2
        assert 'FROM "shop_shop"' in locks[0]
