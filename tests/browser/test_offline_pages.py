"""What a device keeps of the floor, in a real browser: one release at a time, and only while somebody is logged in."""

import re
import threading
import time
from collections.abc import Iterator

import pytest
from django.contrib.sessions.models import Session
from django.http import HttpResponse
from django.urls import reverse
from playwright.sync_api import Page, expect

from jobs import release
from jobs.models import ClockEvent, Job
from jobs.views import worker
from shop.middleware import CurrentShopMiddleware
from shop.models import Membership, Role, User
from shop.services import shop_create
from tests.browser.offline_world import all_sent, kept_for_later, kinds, press, shows, stopwatch, van_job

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

LEAST_WAIT = 1.5  # seconds; the kept page takes the place of one that is not there after two
LONG = 120.0  # seconds for which something is waited for


@pytest.fixture
def job() -> Job:
    return van_job()


@pytest.fixture
def maker(job: Job) -> User:
    return User.objects.get(username="maker")


def test_logging_out_takes_the_shops_work_off_the_device(page_at, log_in, job, maker):
    page = log_in(page_at(820), maker)
    page.goto(stopwatch(job))
    kept_for_later(page)
    assert kept_pack(page, job) is True
    page.get_by_role("button", name="Log out").click()
    expect(page).to_have_url(re.compile(reverse("login")))
    until = time.monotonic() + LONG
    while kept_pack(page, job) or "lapwright-shell" in " ".join(page.evaluate("caches.keys()")):
        assert time.monotonic() < until, "something of the shop stayed"
        page.wait_for_timeout(50)


def test_taps_that_wait_outlive_a_log_out_and_are_sent_after_the_next_log_in(page_at, log_in, job, maker):
    page = log_in(page_at(820), maker)
    page.goto(stopwatch(job))
    kept_for_later(page)
    page.route("**/api/v1/taps", lambda route: route.abort())
    press(page, "Start")
    page.get_by_role("button", name="Log out").click()
    expect(page).to_have_url(re.compile(reverse("login")))
    page.unroute("**/api/v1/taps")
    assert kept_pack(page, job) is True
    assert ClockEvent.objects.count() == 0
    log_in(page, maker)
    page.goto(reverse("jobs:floor"))
    all_sent(page)
    assert kinds() == ["start"]


def test_somebody_of_another_shop_who_logs_out_leaves_the_taps_that_wait(page_at, log_in, job, maker):
    page = log_in(page_at(820), maker)
    page.goto(stopwatch(job))
    kept_for_later(page)
    Session.objects.all().delete()
    press(page, "Start")
    expect(page.get_by_text("One tap waiting to be sent. Log in again")).to_be_visible()
    other = shop_create(slug="mill", name="Mill Signs", time_zone="Europe/Berlin")
    miller = User.objects.create_user("miller")
    Membership.objects.create(user=miller, shop=other, role=Role.MAKER)
    log_in(page, miller)
    page.goto(reverse("jobs:job-list"))  # not the floor, which would take over what is kept for it
    page.get_by_role("button", name="Log out").click()
    expect(page).to_have_url(re.compile(reverse("login")))
    log_in(page, maker)
    page.goto(stopwatch(job))
    all_sent(page)
    assert kinds() == ["start"]


def kept_pack(page: Page, job: Job) -> bool:
    return page.evaluate(
        """shop => new Promise((done, failed) => {
          const request = indexedDB.open(`lapwright-${shop}`);
          request.onerror = () => failed(request.error);
          request.onsuccess = () => {
            const database = request.result;
            const found = database.transaction("kept").objectStore("kept").get("pack");
            found.onsuccess = () => { database.close(); done(Boolean(found.result)); };
          };
        })""",
        job.shop_id,
    )


def test_a_new_release_takes_the_place_of_the_old_one(page_at, log_in, job, maker, monkeypatch):
    page = log_in(page_at(390), maker)
    page.goto(stopwatch(job))
    kept_for_later(page)
    before = set(page.evaluate("caches.keys()"))
    now = release.release()
    newer = release.Release("another", now.files, now.lasting)
    monkeypatch.setattr(worker, "release", lambda: newer)
    page.reload()
    until = time.monotonic() + LONG
    while set(page.evaluate("caches.keys()")) != {"lapwright-files-another", "lapwright-shell-another"}:
        assert time.monotonic() < until, page.evaluate("caches.keys()")
        page.wait_for_timeout(50)
    assert before.isdisjoint({"lapwright-files-another", "lapwright-shell-another"})
    kept_for_later(page)
    page.context.set_offline(True)
    page.reload()
    shows(page, "Artwork", "Ready")


def test_a_release_that_the_browser_let_wait_is_asked_to_take_over(page_at, log_in, job, maker, monkeypatch):
    """As Chromium does where a page fetches something in the moment of the change: no page opens until it is asked."""
    page = log_in(page_at(390), maker)
    page.goto(stopwatch(job))
    kept_for_later(page)
    now, render = release.release(), worker.render
    newer = release.Release("another", now.files, now.lasting)

    def waiting(*what, **words):
        answer = render(*what, **words)
        eager = b".then(() => self.skipWaiting())"
        assert answer.content.count(eager) == 1
        answer.content = answer.content.replace(eager, b"")
        return answer

    monkeypatch.setattr(worker, "render", waiting)
    monkeypatch.setattr(worker, "release", lambda: newer)
    page.goto(reverse("jobs:job-list"))  # another page than the floor's sees it through too
    until = time.monotonic() + LONG
    while set(page.evaluate("caches.keys()")) != {"lapwright-files-another", "lapwright-shell-another"}:
        assert time.monotonic() < until, page.evaluate("caches.keys()")
        page.wait_for_timeout(50)


@pytest.fixture
def answers(answering, monkeypatch) -> Iterator[threading.Event]:
    """Clear it, and whoever opens a floor page has no answer until it is set."""
    lets, answer = threading.Event(), CurrentShopMiddleware.__call__
    lets.set()

    def slowly(self, request):
        if request.path.startswith("/floor/") and request.headers.get("Sec-Fetch-Mode") == "navigate":
            lets.wait()
        return answer(self, request)

    monkeypatch.setattr(CurrentShopMiddleware, "__call__", slowly)
    yield lets
    lets.set()


def test_a_network_that_crawls_is_not_waited_for(page_at, log_in, job, maker, answers):
    page = log_in(page_at(390), maker)
    page.goto(stopwatch(job))
    kept_for_later(page)
    answers.clear()
    began = time.monotonic()
    page.goto(stopwatch(job), wait_until="commit")
    shows(page, "Artwork", "Ready")
    assert time.monotonic() - began > LEAST_WAIT, "the server was not given a chance"
    assert page.locator("[data-floor]").get_attribute("data-number") is None, (
        "this is not the page that is kept"
    )
    answers.set()
    press(page, "Start")
    all_sent(page)
    assert kinds() == ["start"]


def test_a_server_that_fails_gets_out_of_the_way(page_at, log_in, job, maker, monkeypatch):
    page = log_in(page_at(390), maker)
    page.goto(stopwatch(job))
    kept_for_later(page)

    def fails(self, request):
        return HttpResponse("not today", status=503)

    monkeypatch.setattr(CurrentShopMiddleware, "__call__", fails)
    page.reload()
    shows(page, "Artwork", "Ready")
    press(page, "Start")
    expect(page.get_by_text("One tap waiting to be sent.")).to_be_visible()
    monkeypatch.undo()
    page.get_by_role("button", name="Send now").click()
    all_sent(page)
    assert kinds() == ["start"]


def test_the_page_that_is_kept_is_the_log_ins_own(page_at, log_in, job, maker):
    page = log_in(page_at(820), maker)
    page.goto(stopwatch(job))
    kept_for_later(page)
    page.get_by_role("button", name="Log out").click()
    expect(page).to_have_url(re.compile(reverse("login")))
    log_in(page, User.objects.get(username="owner"))
    page.goto(stopwatch(job))
    kept_for_later(page)
    page.context.set_offline(True)
    page.reload()
    shows(page, "Artwork", "Ready")
    expect(page.get_by_role("contentinfo")).to_contain_text("logged in as owner")
