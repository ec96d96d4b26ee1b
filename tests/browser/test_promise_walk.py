"""From an enquiry to a promised date in a real browser, and what the pages of dates and times look like there."""

import uuid
from collections.abc import Callable, Iterator
from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone
from playwright.sync_api import expect

from analytics.models import Promise
from analytics.services.learning import learn_shop
from jobs.drivers import ItemSize
from jobs.models import ClockEvent, Job, JobStatus, JobType
from jobs.services.clock import fold_shop
from jobs.services.jobs import job_create
from shop.models import (
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
LOOKS = [(width, scheme) for width in (390, 820, 1440) for scheme in ("light", "dark")]

STICKS_OUT = """[...document.querySelectorAll(".card table")]
    .filter((table) => table.getBoundingClientRect().right > table.closest(".card").getBoundingClientRect().right)
    .map((table) => table.className)"""


@pytest.fixture
def owner() -> User:
    """The owner of a shop that can print, laminate, cut and finish."""
    shop = whole_shop()
    weekday_hours_create(shop)
    Media.objects.create(shop=shop, name="Matt film", width_mm=1370, price_per_m2=4)
    return log_in_of(shop, Role.OWNER)


@pytest.fixture
def errors() -> Iterator[list[str]]:
    """What the browser complained of; nothing, it is hoped."""
    found: list[str] = []
    yield found
    assert found == []


def test_an_enquiry_is_asked_dated_and_promised_on_a_phone(
    owner: User, page_at: Pages, log_in: Pages, assert_accessible: Pages, errors: list[str]
) -> None:
    page = log_in(page_at(390), owner)
    page.on("console", lambda said: errors.append(said.text) if said.type == "error" else None)
    page.goto("/enquiry/")
    assert_accessible(page)
    page.get_by_label("Job type").select_option(label="Labels and decals")
    page.get_by_label("Title").fill("Crate labels")
    page.get_by_label("Customer").fill("Lighthouse Larder")
    page.get_by_role("radio", name="UV").check()
    page.get_by_label("Finish", exact=True).select_option(label="Bare")
    page.get_by_label("Width, mm").first.fill("300")
    page.get_by_label("Height, mm").first.fill("200")
    page.get_by_label("Count").first.fill("10")
    page.get_by_role("button", name="When can it be ready?").click()
    page.get_by_text("eight times in ten").first.wait_for()
    date = page.locator(".promise-date").inner_text()
    expect(page.locator("circle.future")).to_have_count(20)
    assert page.locator("circle.future:not(.late)").count() >= 16
    assert_accessible(page)
    page.get_by_role("button", name=f"Promise {date}").click()
    page.get_by_text(f"by {date}, eight times in ten").wait_for()
    job = Job.objects.get()
    assert (job.status, job.due_at) == (JobStatus.PROMISED, Promise.objects.get().promised_at)


def test_the_pages_of_dates_and_times_can_be_read_by_everybody(
    owner: User, page_at: Pages, log_in: Pages, looks_right: Pages
) -> None:
    shop = Shop.objects.get()
    job = job_create(
        shop=shop,
        job_type=JobType.objects.of(shop).get(name="Labels and decals"),
        title="Crate labels",
        process=Process.objects.of(shop).get(name="UV"),
        items=[ItemSize(300, 200, 10)],
    )
    clock_all(job)
    learn_shop(shop)
    page = log_in(page_at(390), owner)
    for path in (f"/jobs/{job.number}/time/", "/durations/?days=all", "/durations/defaults/"):
        page.goto(path)
        if path.startswith("/durations/?"):
            page.locator("[data-figure].is-drawn .main-svg").first.wait_for()
        looks_right(page, STICKS_OUT, looks=LOOKS)


def clock_all(job: Job) -> None:
    """Clock each stage of the job for half an hour, a week ago."""
    at = timezone.now() - timedelta(days=7)
    for stage in job.stages.filter(left_out=False):
        for kind, moment in (("start", at), ("finish", at + timedelta(minutes=30))):
            ClockEvent.objects.create(
                id=uuid.uuid4(),
                shop=job.shop,
                stage=stage,
                kind=kind,
                at=moment,
                device_at=moment,
                received_at=moment,
            )
        at += timedelta(minutes=40)
    fold_shop(job.shop, announce=False)
