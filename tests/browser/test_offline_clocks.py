"""A device whose clock is wrong, in a real browser: the times that are stored are right."""

import re
from datetime import UTC, datetime, timedelta

import pytest
from django.urls import reverse
from playwright.sync_api import Page, expect

from jobs.models import ClockEvent, Job
from shop.models import User
from tests.browser.offline_world import all_sent, kept_for_later, kinds, press, shows, stopwatch, van_job

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

SHIFTED = """() => {
  const Real = Date, shift = () => Number(localStorage.getItem("test-shift") ?? 0);
  globalThis.Date = class extends Real {
    constructor(...given) { if (given.length) super(...given); else super(Real.now() + shift()); }
    static now() { return Real.now() + shift(); }
  };
}"""
HOUR = 3_600_000  # ms
ABOUT = 600.0  # seconds: far less than any clock here is wrong, far more than a busy machine takes


@pytest.fixture
def job() -> Job:
    return van_job()


@pytest.fixture
def maker(job: Job) -> User:
    return User.objects.get(username="maker")


@pytest.fixture
def with_clock(page_at, log_in, maker):
    """`with_clock(hours)`: a page on a device whose clock is so many hours ahead."""

    def with_clock(hours: float) -> Page:
        page = log_in(page_at(390), maker)
        page.add_init_script(f"({SHIFTED})()")
        page.goto(reverse("login"))
        set_clock(page, hours)
        return page

    return with_clock


def set_clock(page: Page, hours: float) -> None:
    page.evaluate("ms => localStorage.setItem('test-shift', ms)", hours * HOUR)


def off_by() -> list[float]:
    """Seconds between when the events are said to have happened and now."""
    return [abs((datetime.now(UTC) - event.at).total_seconds()) for event in ClockEvent.objects.all()]


def test_a_clock_that_is_hours_slow_spoils_nothing_even_if_it_is_put_right_before_the_taps_are_sent(
    with_clock, job
):
    page = with_clock(-3)
    page.goto(stopwatch(job))
    kept_for_later(page)
    page.context.set_offline(True)
    press(page, "Start")
    expect(page.get_by_text("This device's clock is 3 h 00 min slow")).to_be_visible()
    expect(page.locator("[data-ticking]").first).to_have_text(re.compile(r"^0:0\d:\d\d$"))
    set_clock(page, 0)
    page.reload()
    shows(page, "Artwork", "Running")
    page.context.set_offline(False)
    all_sent(page)
    event = ClockEvent.objects.get()
    assert max(off_by()) < ABOUT
    assert event.device_at < event.at - timedelta(hours=2, minutes=59)


def test_a_clock_that_goes_wrong_without_a_connection_spoils_nothing(with_clock, job):
    page = with_clock(0)
    page.goto(stopwatch(job))
    kept_for_later(page)
    page.context.set_offline(True)
    set_clock(page, 2)
    page.wait_for_timeout(1100)
    press(page, "Start")
    shows(page, "Artwork", "Running")
    press(page, "Next: Load and set up")
    page.context.set_offline(False)
    all_sent(page)
    assert max(off_by()) < ABOUT
    assert kinds() == ["start", "next"]


def test_a_clock_that_is_seconds_fast_holds_up_nothing(with_clock, job):
    """It is trusted, so a tap's moment is ahead of the server's clock: what it finished is finished all the same."""
    page = with_clock(4 / 3600)
    page.goto(stopwatch(job))
    kept_for_later(page)
    page.context.set_offline(True)
    press(page, "Start")
    press(page, "Next: Load and set up")
    at_once = page.evaluate(
        """() => {
          const buttons = [...document.querySelectorAll("[data-part] button")];
          buttons.find((one) => one.textContent.startsWith("Finish")).click();
          return ["[data-stage-name]", "[data-state-word]"].map((one) => document.querySelector(one).textContent);
        }"""
    )
    assert at_once == ["Print", "Ready"]
    page.context.set_offline(False)
    all_sent(page)
    assert kinds() == ["start", "next", "finish"]
    assert max(off_by()) < ABOUT
