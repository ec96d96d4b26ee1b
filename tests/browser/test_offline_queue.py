"""The floor without a connection in a real browser: it opens, clocks, and every tap arrives once."""

import os
import re
import signal
import time
from contextlib import suppress
from pathlib import Path

import pytest
from django.contrib.sessions.models import Session
from django.urls import reverse
from playwright.sync_api import BrowserContext, expect

from jobs.models import ClockEvent, Job
from shop.models import Membership, Role, User
from shop.services import shop_create
from tests.browser.offline_world import (
    STORE,
    all_sent,
    kept_for_later,
    kinds,
    press,
    shows,
    stopwatch,
    van_job,
    waiting,
)

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

LATE = 1000  # ms in which a second sending would come: without locks, a tab asks for its turn every 300 ms


@pytest.fixture
def job() -> Job:
    return van_job()


@pytest.fixture
def maker(job: Job) -> User:
    return User.objects.get(username="maker")


def test_the_floor_opens_and_clocks_without_a_connection_after_a_reload_and_in_a_new_tab(
    page_at, log_in, job, maker
):
    page = log_in(page_at(390), maker)
    page.goto(stopwatch(job))
    kept_for_later(page)
    page.context.set_offline(True)
    page.reload()
    shows(page, "Artwork", "Ready")
    press(page, "Start")
    shows(page, "Artwork", "Running")
    page.reload()
    shows(page, "Artwork", "Running")
    tab = page.context.new_page()
    tab.goto(reverse("jobs:floor"))
    expect(tab.locator("[data-part]")).to_contain_text("Van, two sides")
    tab.goto(stopwatch(job))
    shows(tab, "Artwork", "Running")
    press(tab, "Next: Load and set up")
    expect(tab.get_by_text("Two taps waiting to be sent.")).to_be_visible()
    shows(page, "Artwork", "Finished")
    expect(page.locator("[data-undo]")).to_contain_text(
        "Load and set up started"
    )  # the last press, in any tab
    assert ClockEvent.objects.count() == 0
    page.context.set_offline(False)
    all_sent(tab)
    assert kinds() == ["start", "next"]
    expect(tab.get_by_text("waiting to be sent")).to_be_hidden()


def test_a_browser_that_was_killed_has_every_tap_it_was_given(
    browser, live_server, begin_with, log_in, job, maker, tmp_path
):
    context = open_profile(browser, live_server, begin_with, tmp_path)
    page = log_in(context.pages[0], maker)
    keep_cookies(context)
    page.goto(stopwatch(job))
    kept_for_later(page)
    context.close()  # installed on another day: only what is pressed now is at stake
    context = open_profile(browser, live_server, begin_with, tmp_path)
    page = context.pages[0]
    context.set_offline(True)
    page.goto(stopwatch(job))
    press(page, "Start")
    shows(page, "Artwork", "Running")
    button = page.get_by_role("button", name=re.compile("^Next: Load and set up"))
    button.click()
    expect(page.get_by_text("Two taps waiting to be sent.")).to_be_visible()
    kill(tmp_path)
    context = open_profile(browser, live_server, begin_with, tmp_path)
    page = context.pages[0]
    context.set_offline(True)
    page.goto(reverse("jobs:floor"))
    expect(page.get_by_text("Two taps waiting to be sent.")).to_be_visible()
    assert ClockEvent.objects.count() == 0
    context.set_offline(False)
    all_sent(page)
    context.close()
    assert kinds() == ["start", "next"]


def open_profile(browser, live_server, begin_with, folder) -> BrowserContext:
    """A browser of its own, with what this folder has kept."""
    return browser.browser_type.launch_persistent_context(
        folder,
        **begin_with,
        base_url=live_server.url,
        viewport={"width": 390, "height": 844},
    )


def keep_cookies(context: BrowserContext) -> None:
    """The log-in outlives the browser, as the program's own does."""
    tomorrow = time.time() + 86400
    context.add_cookies([{**cookie, "expires": tomorrow} for cookie in context.cookies()])


def kill(folder) -> None:
    """End the browser of this folder as a power cut would, and wait until nothing of it is left."""
    until = time.monotonic() + 60
    while ours := processes_of(folder):
        assert time.monotonic() < until, "the browser does not end"
        for pid in ours:
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        time.sleep(0.05)
    for lock in Path(folder).glob("Singleton*"):
        lock.unlink(missing_ok=True)


def processes_of(folder) -> list[int]:
    """The processes that were begun with this folder; one that has ended and waits for its parent has no words left."""
    found = []
    for command in Path("/proc").glob("[0-9]*/cmdline"):
        with suppress(OSError):  # ended meanwhile
            if f"--user-data-dir={folder}".encode() in command.read_bytes().split(b"\0"):
                found.append(int(command.parent.name))
    return found


def test_two_tabs_send_each_tap_once(page_at, log_in, job, maker):
    page = log_in(page_at(820), maker)
    posted = came_in(page.context)
    page.goto(stopwatch(job))
    kept_for_later(page)
    tab = page.context.new_page()
    tab.goto(stopwatch(job))
    shows(tab, "Artwork", "Ready")
    page.context.set_offline(True)
    press(page, "Start")
    shows(tab, "Artwork", "Running")
    press(tab, "Next: Load and set up")
    shows(page, "Artwork", "Finished")
    press(page, "Open again")
    shows(tab, "Load and set up", "Paused")  # nobody is at two stages at once
    page.context.set_offline(False)  # both hear of it at once
    all_sent(page)
    all_sent(tab)
    assert kinds() == ["start", "next", "start"]
    page.wait_for_timeout(LATE)
    assert len(posted) == len(set(posted)) == 3


def came_in(context: BrowserContext) -> list[str]:
    """The taps that the server answered for, as they go on; a try that the browser refuses while offline is none."""
    found: list[str] = []
    context.on("requestfinished", lambda request: found.extend(ids_in(request)))
    return found


def ids_in(request) -> list[str]:
    if request.method != "POST" or not request.url.endswith("/api/v1/taps"):
        return []
    return [tap["id"] for tap in request.post_data_json["taps"]]


def test_answers_that_are_lost_count_no_tap_twice(page_at, log_in, job, maker):
    page = log_in(page_at(390), maker)
    lost: list[int] = []

    def lose(route) -> None:
        answer = route.fetch()
        if len(lost) < 3:
            lost.append(answer.status)
            route.abort()
        else:
            route.fulfill(response=answer)

    page.route("**/api/v1/taps", lose)
    page.goto(stopwatch(job))
    press(page, "Start")
    press(page, "Next: Load and set up")
    all_sent(page)
    assert lost == [200, 200, 200]
    assert kinds() == ["start", "next"]


def test_a_press_as_a_sending_ends_is_sent_too(page_at, log_in, job, maker):
    page = log_in(page_at(390), maker)
    page.goto(stopwatch(job))
    kept_for_later(page)
    # The queue says twice that it is empty: once the answer is written down, and once the sending is over.
    page.evaluate(
        """async (stage) => {
          const store = await import("/static/jobs/js/store.js"), taps = await import("/static/jobs/js/taps.js");
          let waited = false, empty = 0;
          taps.onQueue(({ count }) => {
            waited ||= count > 0;
            if (!waited || count || ++empty !== 2) return;
            store.addTap({ id: taps.newId(), kind: "pause", stage, at: new Date().toISOString() });
            taps.send();
          });
        }""",
        job.stages.get(kind__key="artwork").pk,
    )
    press(page, "Start")
    page.wait_for_timeout(LATE)
    all_sent(page)
    assert kinds() == ["start", "pause"]


def test_a_log_in_that_has_ended_is_said_and_costs_no_tap(page_at, log_in, job, maker):
    page = log_in(page_at(390), maker)
    page.goto(stopwatch(job))
    kept_for_later(page)
    Session.objects.all().delete()
    press(page, "Start")
    expect(page.get_by_text("One tap waiting to be sent. Log in again")).to_be_visible()
    log_in(page, maker)
    all_sent(page)
    assert kinds() == ["start"]


def test_an_old_token_is_replaced_without_a_word(page_at, log_in, job, maker):
    page = log_in(page_at(390), maker)
    page.goto(stopwatch(job))
    kept_for_later(page)
    page.context.clear_cookies(name="csrftoken")
    press(page, "Start")
    all_sent(page)
    assert kinds() == ["start"]


def test_one_tap_that_cannot_be_read_holds_up_no_other_and_is_kept_until_it_was_read(
    page_at, log_in, job, maker
):
    page = log_in(page_at(390), maker)
    page.goto(stopwatch(job))
    kept_for_later(page)
    page.context.set_offline(True)
    press(page, "Start")
    page.evaluate(
        f"{STORE}.then((store) => store.addTap({{ id: 'no id at all', kind: 'finish', stage: 1 }}))"
    )
    press(page, "Next: Load and set up")
    page.context.set_offline(False)
    all_sent(page)
    assert kinds() == ["start", "next"]
    page.reload()
    expect(page.locator("[data-refused]")).to_contain_text("Not counted")
    page.get_by_role("button", name="Dismiss").click()
    expect(page.locator("[data-refused]")).to_be_hidden()
    page.reload()
    shows(page, "Load and set up", "Running")
    expect(page.locator("[data-refused]")).to_be_hidden()


@pytest.mark.parametrize("status", [400, 413])
def test_an_answer_that_is_not_the_programs_own_refuses_no_tap(page_at, log_in, job, maker, status):
    page = log_in(page_at(390), maker)
    page.goto(stopwatch(job))
    kept_for_later(page)
    page.context.route("**/api/v1/taps", lambda route: route.fulfill(status=status, body="<h1>Gateway</h1>"))
    press(page, "Start")
    expect(page.get_by_text(f"One tap waiting to be sent. The server answered {status}.")).to_be_visible()
    page.context.unroute("**/api/v1/taps")
    all_sent(page)
    assert kinds() == ["start"]


def test_taps_wait_for_their_own_shop_where_another_has_taken_the_browser_over(page_at, log_in, job, maker):
    page = log_in(page_at(390), maker)
    page.goto(stopwatch(job))
    kept_for_later(page)
    other = shop_create(slug="mill", name="Mill Signs", time_zone="Europe/Berlin")
    Membership.objects.create(user=User.objects.create_user("miller"), shop=other, role=Role.MAKER)
    log_in(page.context.new_page(), User.objects.get(username="miller"))
    page.context.clear_cookies(name="csrftoken")  # as a log-in does
    press(page, "Start")
    expect(page.get_by_text("One tap waiting to be sent. Log in again")).to_be_visible()
    assert waiting(page) == 1
    assert kinds() == []
    log_in(page, maker)
    all_sent(page)
    assert kinds() == ["start"]


def test_the_queue_of_an_earlier_release_is_taken_over_once(page_at, log_in, job, maker):
    page = log_in(page_at(390), maker)
    page.goto(reverse("login"))
    page.evaluate(
        """([shop, stage]) => localStorage.setItem(`lapwright.taps.${shop}`, JSON.stringify(
          [{ id: crypto.randomUUID(), kind: "start", stage, at: new Date().toISOString() }]))""",
        [job.shop_id, job.stages.get(kind__key="artwork").pk],
    )
    page.goto(stopwatch(job))
    shows(page, "Artwork", "Running")
    all_sent(page)
    assert kinds() == ["start"]
    assert page.evaluate("Object.keys(localStorage).filter((key) => key.startsWith('lapwright.taps'))") == []


def test_a_browser_that_keeps_nothing_still_clocks_and_says_so(page_at, log_in, job, maker):
    page = log_in(page_at(390), maker)
    page.add_init_script(
        "Object.defineProperty(globalThis, 'indexedDB', { get() { throw new DOMException('no', 'SecurityError'); } })"
    )
    page.goto(stopwatch(job))
    expect(page.locator("[data-floor][data-ready]")).to_be_attached()
    page.context.set_offline(True)
    press(page, "Start")
    shows(page, "Artwork", "Running")
    expect(page.get_by_text("This browser keeps nothing")).to_be_visible()
    asked: list[str] = []
    page.once("dialog", lambda dialog: (asked.append(dialog.type), dialog.dismiss()))
    page.evaluate("() => { setTimeout(() => location.reload()); }")
    for _ in range(1200):
        if asked:
            break
        page.wait_for_timeout(100)
    assert asked == ["beforeunload"], "the page went, and the tap with it"
    page.context.set_offline(False)
    all_sent(page)
    assert kinds() == ["start"]


def test_a_press_that_is_kept_is_not_taken_back_where_the_store_cannot_be_read_just_then(
    page_at, log_in, job, maker
):
    page = log_in(page_at(390), maker)
    page.goto(stopwatch(job))
    kept_for_later(page)
    page.evaluate(
        """() => {
          const { getAll } = IDBObjectStore.prototype;
          IDBObjectStore.prototype.getAll = () => { throw new DOMException("no", "UnknownError"); };
          globalThis.mend = () => { IDBObjectStore.prototype.getAll = getAll; };
        }"""
    )
    press(page, "Start")
    expect(page.get_by_text("could not keep")).to_have_count(0)
    page.evaluate("() => globalThis.mend()")
    all_sent(page)
    assert kinds() == ["start"]


def test_at_an_address_that_is_not_secure_the_queue_works_all_the_same(
    browser, live_server, begin_with, log_in, job, maker, settings
):
    settings.ALLOWED_HOSTS = ["*"]
    port = live_server.url.rsplit(":", 1)[1]
    chromium = browser.browser_type.launch(
        **{**begin_with, "args": [*begin_with["args"], "--host-resolver-rules=MAP tablet.test 127.0.0.1"]}
    )
    context = chromium.new_context(
        base_url=f"http://tablet.test:{port}", viewport={"width": 390, "height": 844}
    )
    page = context.new_page()
    log_in(page, maker)
    context.add_cookies([{**cookie, "domain": "tablet.test"} for cookie in context.cookies()])
    page.goto(stopwatch(job))
    assert page.evaluate("[isSecureContext, 'serviceWorker' in navigator, 'locks' in navigator]") == [
        False, False, False,
    ]  # fmt: skip
    tab = context.new_page()
    tab.goto(stopwatch(job))
    posted = came_in(context)
    context.set_offline(True)
    press(page, "Start")
    shows(tab, "Artwork", "Running")
    press(tab, "Next: Load and set up")
    expect(page.get_by_text("Two taps waiting to be sent.")).to_be_visible()
    context.set_offline(False)
    all_sent(page)
    all_sent(tab)
    page.wait_for_timeout(LATE)
    chromium.close()
    assert kinds() == ["start", "next"]
    assert len(posted) == len(set(posted)) == 2
