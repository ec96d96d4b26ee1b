"""Pages that keep themselves up to date: what is sent when, what asking costs, and that asking uses nothing up."""

from datetime import timedelta

import pytest
import time_machine
from django.test import Client
from django.utils.html import escape
from quay import enquiry, make_quay
from watch_worlds import MONDAY, lies, moved, promise_by

from analytics.models import Promise
from analytics.selectors import ahead
from analytics.services.watching import watch_shop
from jobs.models import Job
from shop.models import Machine, MachineKind, Membership, OpeningHours, Role, User

pytestmark = pytest.mark.django_db

PARTS = ("/watch/", "/ahead/?days=1", "/jobs/1/promise/stands/")


@pytest.fixture(autouse=True)
def monday():
    with time_machine.travel(MONDAY, tick=False):
        yield


@pytest.fixture
def shop():
    shop = make_quay()
    promise_by(lies(shop, 600), MONDAY + timedelta(hours=20))
    watch_shop(shop, MONDAY)
    return shop


def client_of(shop, role=Role.PLANNER):
    user = User.objects.create_user(f"{role.value}-{shop.slug}")
    Membership.objects.create(user=user, shop=shop, role=role)
    client = Client()
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")
    return client


def ask(client, url, tag=""):
    return client.get(url, headers={"X-Part": "fresh", "If-None-Match": tag})


@pytest.mark.parametrize("url", PARTS)
def test_nothing_is_sent_or_simulated_until_the_work_was_worked_out_anew(
    shop, url, django_assert_max_num_queries, monkeypatch
):
    """An idle look asks the database who it is (three questions) and how the outlooks stand, and no more."""
    client = client_of(shop)
    first = ask(client, url)
    assert first.status_code == 200
    assert "<html" not in first.content.decode()
    monkeypatch.setattr(ahead, "draws", None)  # whatever is simulated now breaks
    moved(shop)  # a press alone: the worker has not looked at it yet
    with django_assert_max_num_queries(7):
        again = ask(client, url, first["ETag"])
    assert (again.status_code, again.content) == (304, b"")
    monkeypatch.undo()
    with time_machine.travel(MONDAY + timedelta(minutes=6), tick=False):
        watch_shop(shop, MONDAY + timedelta(minutes=6))
        later = ask(client, url, first["ETag"])
    assert later.status_code == 200
    assert later["ETag"] != first["ETag"]
    assert "As of 09:06" in later.content.decode()


@pytest.mark.parametrize("url", PARTS[:2])
def test_a_role_is_not_sent_what_another_may_do(shop, url):
    tag = ask(client_of(shop), url)["ETag"]
    seen = ask(client_of(shop, Role.VIEWER), url, tag)
    assert seen.status_code == 200
    assert "csrfmiddlewaretoken" not in seen.content.decode()


@pytest.mark.parametrize("url", ["/watch/", "/ahead/"])
def test_the_page_and_its_part_have_one_tag(shop, url):
    client = client_of(shop)
    page = client.get(url)
    assert f'data-fresh="{escape(page["ETag"])}"' in page.content.decode()
    assert ask(client, url, page["ETag"]).status_code == 304


def test_what_can_be_taken_back_waits_for_the_whole_page(shop):
    client = client_of(shop)
    session = client.session
    session["undo"] = {"said": "Done: job 1 first.", "url": "/ahead/undo/", "fields": []}
    session.save()
    ask(client, "/ahead/")
    assert "Done: job 1 first." in client.get("/ahead/").content.decode()


def test_where_nothing_can_be_worked_out_the_part_says_so(shop):
    client = client_of(shop)
    OpeningHours.objects.all().delete()
    moved(shop)
    part = ask(client, "/ahead/")
    assert part.status_code == 200
    assert "Give the shop opening hours" in part.content.decode()


def test_how_a_date_stands_follows_the_date(shop):
    client = client_of(shop)
    first = ask(client, PARTS[2])
    assert "In time nearly always" in first.content.decode()
    promise_by(Job.objects.get(), MONDAY + timedelta(hours=1), made_at=MONDAY + timedelta(minutes=1))
    moved_on = ask(client, PARTS[2], first["ETag"])
    assert "How it stands is not worked out yet" in moved_on.content.decode()
    with time_machine.travel(MONDAY + timedelta(minutes=2), tick=False):
        watch_shop(shop, MONDAY + timedelta(minutes=2))
        assert "In time hardly ever" in ask(client, PARTS[2], moved_on["ETag"]).content.decode()


def test_how_a_date_stands_says_that_its_job_cannot_be_done(shop):
    promise_by(enquiry(shop), MONDAY + timedelta(days=9))
    Machine.objects.filter(kind=MachineKind.CUTTER).delete()
    moved(shop)
    watch_shop(shop, MONDAY)
    said = ask(client_of(shop), "/jobs/2/promise/stands/").content.decode()
    assert "It cannot be done as the shop stands" in said
    assert "Add one under Shop, Machines" in said


def test_the_part_alone_is_no_page(shop):
    answer = client_of(shop).get(PARTS[2])
    assert (answer.status_code, answer["Location"]) == (302, "/jobs/1/promise/")
    Job.objects.update(due_at=None)
    assert ask(client_of(make_quay("hill")), PARTS[2]).status_code == 404


# The order of work says the same of what cannot be done.


def test_the_order_says_why_a_job_has_no_date_as_its_promise_page_does(shop):
    promise_by(enquiry(shop), MONDAY + timedelta(days=9))
    client = client_of(shop)
    assert "cannot be done" not in client.get("/order/").content.decode()
    Machine.objects.filter(kind=MachineKind.CUTTER).delete()
    promise = client.get("/jobs/2/promise/")
    assert promise.status_code == 422
    why = promise.context["refused"].message
    order = client.get("/order/")
    assert [(one.number, one.why) for one in order.context["left_out"]] == [(2, why)]
    assert why.replace("'", "&#x27;") in order.content.decode()
    OpeningHours.objects.all().delete()
    assert "No opening hours are left" in client.get("/order/").content.decode()
    assert Promise.objects.count() == 2
