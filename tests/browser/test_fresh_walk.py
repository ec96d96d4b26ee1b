"""Open pages take a new state by themselves: read out, with focus and place kept, and never under somebody's hand."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone
from playwright.sync_api import Page, expect

from analytics.services.watching import watch_shop
from jobs.models import Job
from shop.models import Membership, OpeningHours, Role, Shop, User
from tests.analytics.quay import enquiry, make_quay
from tests.analytics.watch_worlds import lies, moved, promise_by

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

Pages = Callable[..., Any]
SOON = 60_000


@pytest.fixture
def planner() -> User:
    """The planner of a shop that is open day and night, with two promised jobs that were worked out."""
    shop, now = make_quay(), timezone.now()
    OpeningHours.objects.all().delete()
    OpeningHours.objects.bulk_create(
        OpeningHours(shop=shop, weekday=day, opens="00:00", closes="00:00") for day in range(7)
    )
    promise_by(lies(shop, 600), now + timedelta(hours=40), made_at=now)
    promise_by(enquiry(shop), now + timedelta(days=20), made_at=now)
    watch_shop(shop, now)
    user = User.objects.create_user("planner", password="a long enough word")
    Membership.objects.create(user=user, shop=shop, role=Role.PLANNER)
    return user


def worked_out(minutes: int) -> None:
    """The worker has looked at the open jobs again, so many minutes from now as it believes."""
    shop = Shop.objects.get()
    moved(shop)
    watch_shop(shop, timezone.now() + timedelta(minutes=minutes))


def looks_now(page: Page) -> None:
    """Let the page look at once, as it does when it comes into sight."""
    page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")


def hears(page: Page, status: int) -> None:
    with page.expect_response(lambda one: one.status == status, timeout=SOON):
        looks_now(page)


def test_a_page_takes_the_new_state_by_itself(planner: User, page_at: Pages, log_in: Pages) -> None:
    page = log_in(page_at(390), planner)
    page.goto("/watch/")
    expect(page.locator("[data-news]")).to_have_text("No promised date slips.")
    hears(page, 304)
    link = page.get_by_role("link", name="2, Crate labels")
    link.focus()
    before = link.bounding_box()
    promise_by(Job.objects.get(number=1), timezone.now() + timedelta(hours=1), made_at=timezone.now())
    worked_out(1)
    looks_now(page)
    expect(page.locator("[data-news]")).to_have_text("1 promised date slips: job 1.")
    expect(page.locator("[data-live]")).to_have_text("1 promised date slips: job 1.")
    expect(page.get_by_role("link", name="2, Crate labels")).to_be_focused()
    after = page.get_by_role("link", name="2, Crate labels").bounding_box()
    assert before is not None
    assert after is not None
    assert abs(after["y"] - before["y"]) < 4  # a card has come in above it

    page.goto("/jobs/1/promise/")
    expect(page.locator("[data-news]")).to_have_text("In time hardly ever")
    promise_by(Job.objects.get(number=1), timezone.now() + timedelta(hours=50), made_at=timezone.now())
    worked_out(2)
    looks_now(page)
    expect(page.locator("[data-live]")).to_have_text("In time nearly always")


def test_it_waits_while_something_is_in_hand(planner: User, page_at: Pages, log_in: Pages) -> None:
    page = log_in(page_at(1440), planner)
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.goto("/ahead/?days=1")
    asked: list[str] = []
    page.on("request", lambda one: asked.append(one.url) if "x-part" in one.headers else None)
    lane = page.locator("details").first
    lane.locator("summary").click()
    grip = page.get_by_role("button", name="Move job 2")
    grip.focus()
    page.keyboard.press("ArrowUp")
    worked_out(1)
    looks_now(page)
    page.wait_for_timeout(5500)
    assert asked == []  # a job is in hand
    page.keyboard.press("Escape")
    hears(page, 200)
    expect(page.get_by_role("button", name="Move job 2")).to_be_focused()
    expect(lane).to_have_attribute("open", "")

    # What came in can be used as what was there: moved by keys, asked about, left.
    page.keyboard.press("ArrowUp")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Job 2 before job 1")).to_be_focused()
    worked_out(2)
    asked.clear()
    looks_now(page)
    page.wait_for_timeout(300)
    assert asked == []  # a question is open
    page.keyboard.press("Escape")
    hears(page, 200)
    assert errors == []
