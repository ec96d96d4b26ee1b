"""A job's choices in a real browser: another way, what would bring it forward, and going first."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from analytics.services.choices import jobs_to_ask
from analytics.services.promises import promise_accept
from analytics.services.promising import now_to_the_minute, promise_compute
from jobs.drivers import ItemSize
from jobs.models import Job, JobStatus, JobType
from jobs.services.jobs import job_create
from shop.models import (
    Finish,
    Media,
    Process,
    Role,
    Shop,
    User,
)
from shop.services import weekday_hours_create
from tests.browser.whole_shop import log_in_of, whole_shop

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

Pages = Callable[..., Any]
WAIT = 120_000  # ms: each part of these pages simulates the shop anew


@pytest.fixture
def shop() -> Shop:
    """A shop with one person, all machines, and two promised jobs."""
    shop = whole_shop()
    weekday_hours_create(shop)
    Media.objects.create(shop=shop, name="Matt film", width_mm=1370, price_per_m2=4)
    for _ in range(2):
        promise_accept(
            promise_compute(shop, labels(shop, "UV"), now=now_to_the_minute(), runs=200), user=None
        )
    return shop


def labels(shop: Shop, process: str) -> Job:
    job = job_create(
        shop=shop,
        job_type=JobType.objects.of(shop).get(name="Labels and decals"),
        title="Crate labels",
        process=Process.objects.of(shop).get(name=process),
        finish=Finish.objects.of(shop).get(name="Bare"),
        items=[ItemSize(300, 200, 40)],
    )
    return jobs_to_ask(shop).get(pk=job.pk)


@pytest.fixture
def owner(shop: Shop) -> User:
    return log_in_of(shop, Role.OWNER)


def settled(page: Page) -> None:
    """All parts of the page are there."""
    expect(page.locator("[aria-busy]")).to_have_count(0, timeout=WAIT)


def test_from_its_date_to_another_way_to_going_first(
    shop: Shop, owner: User, page_at: Pages, log_in: Pages, assert_accessible: Callable[[Page], None]
) -> None:
    job = labels(shop, "Solvent")
    page = log_in(page_at(390), owner)
    page.goto(f"/jobs/{job.number}/promise/")
    page.get_by_role("link", name="Other ways of making it").click()
    settled(page)
    expect(page.get_by_role("heading", name="UV", exact=True)).to_be_visible()
    assert_accessible(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.get_by_role("button", name="Choose UV, bare").click()
    page.get_by_role("button", name="Make it so").click()
    expect(page.get_by_text(f"Job {job.number} is made by UV from now on.")).to_be_visible(timeout=WAIT)

    page.set_viewport_size({"width": 820, "height": 1180})
    page.get_by_role("link", name="What would bring it forward").click()
    settled(page)
    expect(page.get_by_role("heading", name="What it takes")).to_be_visible()
    assert_accessible(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= 820
    page.get_by_role("link", name="What that does to the others").click()
    settled(page)
    expect(page.get_by_role("table")).to_be_visible()
    assert_accessible(page)
    page.get_by_role("button", name="Take it: promise").click()
    page.get_by_role("button", name="Promise it first").click()
    expect(page.get_by_text("It goes first.")).to_be_visible(timeout=WAIT)
    job.refresh_from_db()
    assert job.status == JobStatus.PROMISED
    assert job.turn_at is not None


def test_without_scripts_the_whole_page_comes_by_itself(
    shop: Shop, owner: User, page_at: Pages, log_in: Pages
) -> None:
    job = labels(shop, "Solvent")
    page = log_in(page_at(1440, java_script_enabled=False), owner)
    page.goto(f"/jobs/{job.number}/promise/rush/")
    expect(page.get_by_text("Put first of all, it can be ready by")).to_be_visible(timeout=WAIT)
    assert page.url.endswith("?whole")
