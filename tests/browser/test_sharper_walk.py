"""A date that is not exact enough yet in a real browser: it goes on by itself, and what is given is what is seen."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page, Route, expect

from analytics.models import Promise
from analytics.views import promise as promise_view
from jobs.drivers import ItemSize
from jobs.models import Job, JobType
from jobs.services.jobs import job_create
from shop.models import (
    Process,
    Role,
    Shop,
    User,
)
from shop.services import weekday_hours_create
from tests.browser.whole_shop import log_in_of, whole_shop

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

Pages = Callable[..., Any]
WAIT = 60_000  # ms: the first run of the simulation may have to be compiled


@pytest.fixture
def shop() -> Shop:
    """A shop with one person and all machines."""
    shop = whole_shop()
    weekday_hours_create(shop)
    return shop


@pytest.fixture
def job(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> Job:
    """An enquiry of weeks, whose date is never exact enough; two looks are taken after the first."""
    monkeypatch.setattr(promise_view, "LOOKS", 2)
    return job_create(
        shop=shop,
        job_type=JobType.objects.of(shop).get(name="Labels and decals"),
        title="Crate labels",
        process=Process.objects.of(shop).get(name="UV"),
        items=[ItemSize(1200, 1000, 400)],
    )


@pytest.fixture
def owner(shop: Shop) -> User:
    return log_in_of(shop, Role.OWNER)


def runs(page: Page) -> int:
    return int(page.locator("input[name=runs]").input_value())


def test_the_date_goes_on_by_itself_waits_while_somebody_is_at_it_and_is_given_as_it_is_seen(
    job: Job, owner: User, page_at: Pages, log_in: Pages, assert_accessible: Callable[[Page], None]
) -> None:
    page, held = log_in(page_at(390), owner), list[Route]()
    page.route("**/promise/?made_at=*", lambda route: held.append(route))
    page.goto(f"/jobs/{job.number}/promise/")
    expect(page.get_by_text("It is being worked out more exactly")).to_be_visible(timeout=WAIT)
    first = runs(page)
    press = page.get_by_role("button", name="Promise")
    press.focus()  # somebody is at the form: what comes now has to wait
    while not held:
        page.wait_for_timeout(50)
    held.pop().continue_()
    page.wait_for_timeout(1500)
    assert runs(page) == first
    top = page.get_by_role("heading", name="Other odds").bounding_box()
    page.unroute("**/promise/?made_at=*")
    press.blur()
    expect(page.get_by_text("as near as the time allows")).to_be_visible(timeout=WAIT)
    assert runs(page) > first
    there = page.get_by_role("heading", name="Other odds").bounding_box()
    assert top is not None
    assert there is not None
    assert abs(there["y"] - top["y"]) < 1  # nothing moved by as much as a pixel
    expect(page.get_by_role("status").filter(has_text="Worked out more exactly")).to_have_count(1)
    assert_accessible(page)
    seen, shown = runs(page), page.locator(".promise-date").inner_text()
    page.wait_for_timeout(700)  # a press just after a change would be taken to be meant for the date before
    press.click()
    expect(page.get_by_text(f"by {shown}")).to_be_visible(timeout=WAIT)
    made = Promise.objects.get()
    assert made.runs == seen


def test_without_scripts_a_link_works_it_out_more_exactly(
    job: Job, owner: User, page_at: Pages, log_in: Pages, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(promise_view, "EXACTLY", 0.3)
    page = log_in(page_at(1440, java_script_enabled=False), owner)
    page.goto(f"/jobs/{job.number}/promise/")
    expect(page.get_by_text("It is being worked out more exactly")).to_be_hidden(timeout=WAIT)
    first = runs(page)
    page.get_by_role("link", name="Work it out more exactly").click()
    expect(page.get_by_text("as near as the time allows")).to_be_visible(timeout=WAIT)
    assert runs(page) >= first
