"""Searches for an order of work: in the background, taken, put back, refused; and their pages."""

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from hypothesis import given, settings
from hypothesis import strategies as st
from quay import enquiry, make_quay

from analytics import tasks
from analytics.engine.ordering import Search
from analytics.engine.rerun import present_order
from analytics.models import OrderSearch, RunState
from analytics.selectors.backlog import book_of
from analytics.selectors.orders import job_rows, progress_of
from analytics.services import orders
from analytics.services.order_turns import (
    LAST,
    Queued,
    may_take,
    order_put_back,
    order_take,
    turns_for_order,
)
from analytics.services.orders import SEARCHES
from jobs.drivers import ItemSize
from jobs.models import Job, JobStatus
from shop.errors import ShopError
from shop.models import Membership, OpeningHours, Role, Shop, User

pytestmark = pytest.mark.django_db

SMALL, LARGE = [ItemSize(300, 200, 4)], [ItemSize(1200, 2400, 12)]


@pytest.fixture
def shop() -> Shop:
    return make_quay()


@pytest.fixture
def crowd(shop: Shop) -> list[Job]:
    """A large job that is due first, and four small ones that are due right behind it; and one without a date."""
    now = timezone.now()
    sizes = [(LARGE, 30), (SMALL, 31), (SMALL, 32), (SMALL, 33), (SMALL, 34), (SMALL, None)]
    jobs = []
    for items, hours in sizes:
        job = enquiry(shop, items=items)
        job.status = JobStatus.PROMISED
        job.due_at = now + timedelta(hours=hours) if hours else None
        job.save(update_fields=["status", "due_at"])
        jobs.append(job)
    return jobs


@pytest.fixture
def each_step(monkeypatch: pytest.MonkeyPatch) -> None:
    """Write after every order that is tried."""
    monkeypatch.setattr(orders, "BEAT", 0.0)


def wanted(shop: Shop, effort: int = 60, seed: int = 7) -> OrderSearch:
    search = orders.search_want(shop, effort, None, timezone.now())
    OrderSearch.objects.filter(pk=search.pk).update(seed=seed)
    return search


def to_its_end(search: OrderSearch, seconds: float = 600.0) -> int:
    """Carry a search on until there is nothing to do; in how many slices."""
    slices = 1
    while SEARCHES.carry_on(search.pk, seconds):
        slices += 1
    search.refresh_from_db()
    return slices


def numbers(shop: Shop) -> list[int]:
    """The open jobs in the order in which the simulation serves them."""
    book = book_of(shop, None, timezone.now())
    return [book.jobs[j].number for j in present_order(book).tolist()]


def with_order(shop: Shop, order: list[Job]) -> OrderSearch:
    """A search that is done and found this order."""
    search = wanted(shop)
    to_its_end(search)
    search.result = {**search.result, "better": True, "order": [job.pk for job in order]}
    search.save(update_fields=["result"])
    return search


def test_a_search_finds_that_the_small_ones_go_first(shop: Shop, crowd: list[Job]) -> None:
    search = wanted(shop)
    assert to_its_end(search) == 1
    assert (search.state, search.done, search.error) == (RunState.DONE, search.total, "")
    assert search.book is None
    rows = job_rows(search)
    assert [row.places[1] for row in rows] == [1, 2, 3, 4, 5, 6]
    assert {row.job.pk for row in rows} == {job.pk for job in crowd}
    assert search.result["better"]
    assert search.result["saved"][1] > 0
    large = next(row for row in rows if row.job.pk == crowd[0].pk)
    assert large.places[0] == 1
    assert large.places[1] > 1
    assert large.moved
    assert large.why
    undated = next(row for row in rows if row.job.pk == crowd[-1].pk)
    assert undated.kept is None


def test_in_slices_it_is_the_same_as_in_one_go(shop: Shop, crowd: list[Job], each_step: None) -> None:
    one = wanted(shop)
    SEARCHES.carry_on(one.pk, 0.0)
    one.refresh_from_db()
    assert one.state == RunState.WANTED
    progress = progress_of(one)
    assert (progress.done, progress.tried) == (1, 1)
    kept = one.book
    assert to_its_end(one) == 1
    OrderSearch.objects.filter(pk=one.pk).update(state=RunState.WANTED, result={}, book=kept)
    again = OrderSearch.objects.get(pk=one.pk)
    slices = to_its_end(again, 0.0)
    assert slices > 20
    assert again.result == one.result


def test_one_that_is_killed_is_taken_over_from_where_it_was(
    shop: Shop, crowd: list[Job], each_step: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    search, real, steps = wanted(shop), Search.step, 0

    def step(self: Search) -> None:
        nonlocal steps
        steps += 1
        if steps > 6:
            raise SystemExit("killed")
        real(self)

    with monkeypatch.context() as patch:
        patch.setattr(Search, "step", step)
        with pytest.raises(SystemExit):
            SEARCHES.carry_on(search.pk, 60.0)
    search.refresh_from_db()
    assert (search.state, search.result["standing"]["steps"]) == (RunState.RUNNING, 6)
    assert not SEARCHES.carry_on(search.pk)  # its beat is fresh: somebody may be at it
    now = timezone.now()
    assert search.pk not in SEARCHES.waiting(now)
    OrderSearch.objects.filter(pk=search.pk).update(beat_at=now - timedelta(minutes=2))
    tasks.sweep()
    search.refresh_from_db()
    assert search.state == RunState.DONE


def test_of_two_workers_the_one_that_is_late_leaves_it(
    shop: Shop, crowd: list[Job], each_step: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    search, real, taken = wanted(shop), Search.step, []

    def step(self: Search) -> None:
        if self.now.steps == 5 and not taken:
            taken.append(True)
            OrderSearch.objects.filter(pk=search.pk).update(beat_at=timezone.now() - timedelta(minutes=2))
            assert not SEARCHES.carry_on(search.pk, 60.0)
        real(self)

    monkeypatch.setattr(Search, "step", step)
    assert not SEARCHES.carry_on(search.pk, 60.0)
    search.refresh_from_db()
    assert taken
    assert search.state == RunState.DONE


def test_a_person_stops_it_and_lets_it_go_on(shop: Shop, crowd: list[Job], each_step: None) -> None:
    search = wanted(shop)
    assert SEARCHES.carry_on(search.pk, 0.0)
    SEARCHES.stop(search)
    assert not SEARCHES.carry_on(search.pk)
    with pytest.raises(ShopError, match="nothing to stop"):
        SEARCHES.stop(search)
    search.refresh_from_db()
    SEARCHES.go_on(search, timezone.now())
    with pytest.raises(ShopError, match="under way already"):
        wanted(shop)
    to_its_end(search)
    assert search.state == RunState.DONE
    with pytest.raises(ShopError, match="cannot go on"):
        SEARCHES.go_on(search, timezone.now())


def test_what_cannot_be_simulated_is_said(shop: Shop, crowd: list[Job]) -> None:
    search = wanted(shop)
    OpeningHours.objects.of(shop).delete()
    to_its_end(search)
    assert search.state == RunState.FAILED
    assert "Opening hours" in search.error


def test_nothing_is_searched_where_there_is_nothing_to_order(shop: Shop) -> None:
    with pytest.raises(ShopError, match="two open jobs"):
        wanted(shop)
    for _ in range(2):
        Job.objects.filter(pk=enquiry(shop).pk).update(status=JobStatus.PROMISED)
    with pytest.raises(ShopError, match="has a date"):
        wanted(shop)


def test_where_none_is_late_the_order_stays(shop: Shop, crowd: list[Job]) -> None:
    Job.objects.exclude(due_at=None).update(due_at=timezone.now() + timedelta(days=200))
    search = wanted(shop)
    to_its_end(search)
    assert (search.result["better"], search.result["verdict"]) == (False, "same")
    assert search.done == search.total
    with pytest.raises(ShopError, match="no better order"):
        order_take(search, timezone.now())


def test_an_order_is_taken_and_put_back(shop: Shop, crowd: list[Job]) -> None:
    Job.objects.filter(pk=crowd[2].pk).update(turn_at=crowd[2].due_at + timedelta(hours=9))
    before, turns = numbers(shop), {job.pk: job.turn_at for job in open_queue_rows(shop)}
    new = [crowd[k] for k in (5, 3, 0, 2, 1, 4)]
    search = with_order(shop, new)
    order_take(search, timezone.now())
    assert numbers(shop) == [job.number for job in new]
    assert {job.pk: job.due_at for job in crowd} == dict(Job.objects.values_list("pk", "due_at"))
    with pytest.raises(ShopError, match="taken already"):
        order_take(search, timezone.now())
    search.refresh_from_db()
    with pytest.raises(ShopError, match="Put it back first"):
        orders.search_delete(search)
    order_put_back(search)
    assert numbers(shop) == before
    assert {job.pk: job.turn_at for job in open_queue_rows(shop)} == turns
    search.refresh_from_db()
    assert may_take(search)
    with pytest.raises(ShopError, match="nothing to put back"):
        order_put_back(search)


def open_queue_rows(shop: Shop) -> list[Job]:
    return list(Job.objects.of(shop).order_by("pk"))


@pytest.mark.parametrize("change", ["date", "turn", "new", "done"])
def test_an_order_of_other_jobs_than_are_open_now_is_not_taken(
    shop: Shop, crowd: list[Job], change: str
) -> None:
    search = with_order(shop, crowd[::-1])
    one = Job.objects.filter(pk=crowd[1].pk)
    if change == "date":
        one.update(due_at=timezone.now() + timedelta(days=9))
    elif change == "turn":
        one.update(turn_at=timezone.now())
    elif change == "new":
        Job.objects.filter(pk=enquiry(shop).pk).update(status=JobStatus.PROMISED)
    else:
        one.update(status=JobStatus.FINISHED)
    assert not may_take(search)
    with pytest.raises(ShopError, match="Search again"):
        order_take(search, timezone.now())


def test_an_order_is_not_put_back_over_somebody_elses_move(shop: Shop, crowd: list[Job]) -> None:
    search = with_order(shop, crowd[::-1])
    order_take(search, timezone.now())
    Job.objects.filter(pk=crowd[0].pk).update(status=JobStatus.FINISHED)  # is no hindrance
    Job.objects.filter(pk=crowd[1].pk).update(turn_at=timezone.now())
    with pytest.raises(ShopError, match=f"Job {crowd[1].number} was given another place"):
        order_put_back(search)


DAY = datetime(2026, 12, 1, 16, tzinfo=UTC)
INSTANTS = st.none() | st.integers(0, 4).map(lambda n: DAY + timedelta(hours=n))


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(INSTANTS, INSTANTS), min_size=1, max_size=8), st.integers(0, 2**32 - 1))
def test_turns_put_the_queue_in_any_order(facts: list[tuple[Any, Any]], seed: int) -> None:
    queue = [Queued(k, 100 + k, due, turn) for k, (due, turn) in enumerate(facts)]
    order = np.random.default_rng(seed).permutation(len(queue)).tolist()
    turns = turns_for_order(queue, order)
    ranked = sorted(queue, key=lambda job: (turns[job.key] or job.due_at or LAST, job.number))
    assert [job.key for job in ranked] == order
    same = turns_for_order(
        queue, [job.key for job in sorted(queue, key=lambda job: (job.at or LAST, job.number))]
    )
    if len({job.at for job in queue if job.at}) == sum(job.at is not None for job in queue):
        assert {k: turn or queue[k].due_at for k, turn in same.items()} == {job.key: job.at for job in queue}


@pytest.fixture
def client(shop: Shop) -> Client:
    user = User.objects.create_user("ada")
    Membership.objects.create(user=user, shop=shop, role=Role.PLANNER)
    client = Client()
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")
    return client


def test_the_pages_from_the_wish_to_the_order_put_back(
    shop: Shop,
    crowd: list[Job],
    client: Client,
    django_capture_on_commit_callbacks: Any,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(orders.__dict__, "SLICE", 30.0)
    assert "6 open jobs, 5 with a date" in client.get(reverse("analytics:order")).content.decode()
    wrong = client.post(reverse("analytics:order"), {"effort": "for ever"})
    assert wrong.status_code == 422
    with django_capture_on_commit_callbacks():  # nobody works at it yet
        begun = client.post(reverse("analytics:order"), {"effort": "short"})
    page = begun["Location"]
    waits = client.get(page)
    assert "Waits for its turn" in waits.content.decode()
    part = {"HTTP_X_PART": "1", "HTTP_IF_NONE_MATCH": waits["ETag"]}
    assert client.get(page, **part).status_code == 304
    search = OrderSearch.objects.get()
    OrderSearch.objects.update(total=60)
    to_its_end(search)
    found = client.get(page, **part)
    assert found.status_code == 200
    said = found.content.decode()
    assert "A better order" in said
    assert "Take this order" in said
    assert all(f">{job.number}<" in said for job in crowd)
    taken = client.post(reverse("analytics:order-take", args=[search.pk]), follow=True).content.decode()
    assert "The order is taken" in taken
    assert "Put it back" in taken
    back = client.post(reverse("analytics:order-put-back", args=[search.pk]), follow=True).content.decode()
    assert "the order back that they had" in back
    gone = client.post(reverse("analytics:order-remove", args=[search.pk]), follow=True)
    assert "The search is removed" in gone.content.decode()


def test_the_empty_pages_say_what_to_do(shop: Shop, client: Client) -> None:
    assert "at least two" in client.get(reverse("analytics:order")).content.decode()
    for _ in range(2):
        Job.objects.filter(pk=enquiry(shop).pk).update(status=JobStatus.PROMISED)
    assert "none can be late" in client.get(reverse("analytics:order")).content.decode()


def test_a_viewer_looks_and_another_shop_sees_nothing(shop: Shop, crowd: list[Job], client: Client) -> None:
    search = wanted(shop)
    Membership.objects.update(role=Role.VIEWER)
    assert client.get(reverse("analytics:order-search", args=[search.pk])).status_code == 200
    assert client.post(reverse("analytics:order"), {"effort": "short"}).status_code == 403
    assert client.post(reverse("analytics:order-take", args=[search.pk])).status_code == 403
    Membership.objects.update(role=Role.OWNER, shop=make_quay("hill"))
    for name in ("order-search", "order-take", "order-put-back", "order-stop", "order-go-on", "order-remove"):
        method = client.get if name == "order-search" else client.post
        assert method(reverse(f"analytics:{name}", args=[search.pk])).status_code == 404
