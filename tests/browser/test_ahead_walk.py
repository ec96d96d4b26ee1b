"""The days ahead in a real browser: shapes and jobs moved by pointer, finger and keys, and taken back."""

import re
from collections.abc import Callable, Iterator
from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone
from playwright.sync_api import Page, expect

from jobs.drivers import ItemSize
from jobs.models import Job, JobStatus, JobType, Stage
from jobs.services.jobs import job_create
from shop.models import (
    OpeningHours,
    Process,
    Role,
    User,
)
from tests.browser.whole_shop import log_in_of, whole_shop

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

Pages = Callable[..., Any]
PHONE = ((390, "light"), (390, "dark"))


@pytest.fixture
def planner() -> User:
    """The planner of a shop that is open day and night, with three promised jobs."""
    shop = whole_shop("UTC")
    OpeningHours.objects.bulk_create(
        OpeningHours(shop=shop, weekday=day, opens="00:00", closes="00:00") for day in range(7)
    )
    for days, title in ((4, "Crate labels"), (5, "Jar labels"), (6, "Door labels")):
        job = job_create(
            shop=shop,
            job_type=JobType.objects.of(shop).get(name="Labels and decals"),
            title=title,
            process=Process.objects.of(shop).get(name="UV"),
            items=[ItemSize(300, 200, 10)],
        )
        due = timezone.now() + timedelta(days=days)
        Job.objects.filter(pk=job.pk).update(status=JobStatus.PROMISED, due_at=due)
    return log_in_of(shop, Role.PLANNER)


@pytest.fixture
def errors() -> Iterator[list[str]]:
    """What the browser complained of; nothing, it is hoped."""
    found: list[str] = []
    yield found
    assert found == []


def shows_jobs(page: Page, *titles: str) -> None:
    """The jobs are shown in this order."""
    expect(page.locator(".ahead-job-name a")).to_have_text([re.compile(title) for title in titles])


def test_moves_are_shown_left_made_and_taken_back(
    planner: User, page_at: Pages, log_in: Pages, assert_accessible: Pages, errors: list[str]
) -> None:
    page = log_in(page_at(1440), planner)
    page.on("console", lambda said: errors.append(said.text) if said.type == "error" else None)
    page.goto("/ahead/")
    assert_accessible(page)
    shows_jobs(page, "Crate", "Jar", "Door")

    # By pointer: the last job above the first; shown, and left with Escape.
    grip = page.get_by_role("button", name="Move job 3 Door labels")
    above = page.locator("[data-job='1']")
    grip.scroll_into_view_if_needed()
    start, end = grip.bounding_box(), above.bounding_box()
    assert start is not None and end is not None  # noqa: PT018
    page.mouse.move(start["x"] + 10, start["y"] + 10)
    page.mouse.down()
    page.mouse.move(start["x"] + 10, end["y"] + 5, steps=12)
    page.mouse.up()
    expect(page.get_by_role("heading", name="Job 3 before job 1")).to_be_focused()
    assert_accessible(page)
    page.keyboard.press("Escape")
    shows_jobs(page, "Crate", "Jar", "Door")

    # By keys: one place up; made, and taken back.
    page.get_by_role("button", name="Move job 3 Door labels").focus()
    page.keyboard.press("ArrowUp")
    shows_jobs(page, "Crate", "Door", "Jar")
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Do it").click()
    page.get_by_text("Done: Job 3 before job 2.").wait_for()
    shows_jobs(page, "Crate", "Door", "Jar")
    page.get_by_role("button", name="Undo").click()
    page.get_by_text("Taken back").wait_for()
    shows_jobs(page, "Crate", "Jar", "Door")
    assert not Job.objects.filter(turn_at__isnull=False).exists()

    # A shape along the rule, by pointer, and a quarter of an hour more by keys.
    shape = page.locator("[data-stage]").first
    shape.scroll_into_view_if_needed()
    box = shape.bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + 8, box["y"] + 22)
    page.mouse.down()
    page.mouse.move(box["x"] + 220, box["y"] + 22, steps=8)
    page.mouse.up()
    page.get_by_role("heading", name="pinned to").wait_for()
    page.get_by_role("link", name="Leave it").click()
    expect(shape).to_be_focused()
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Do it").click()
    page.locator(".undo-bar").get_by_text("pinned to").wait_for()
    pinned = Stage.objects.get(pinned_at__isnull=False).pinned_at
    assert pinned is not None
    assert (pinned.minute % 15, pinned.second) == (0, 0)


def test_on_a_phone_a_job_is_moved_by_finger_and_a_shape_opens_its_times(
    planner: User, page_at: Pages, log_in: Pages, looks_right: Pages, errors: list[str]
) -> None:
    page = log_in(page_at(390), planner)
    page.on("console", lambda said: errors.append(said.text) if said.type == "error" else None)
    page.goto("/ahead/?days=1")
    looks_right(page, looks=PHONE)
    page.locator("[data-stage]").first.tap(position={"x": 10, "y": 20})
    page.get_by_text("Latest safe start", exact=True).wait_for()
    looks_right(page, looks=PHONE)
    grip = page.get_by_role("button", name="Move job 3 Door labels")
    grip.scroll_into_view_if_needed()
    start = grip.bounding_box()
    assert start is not None
    finger = page.context.new_cdp_session(page)
    x, y = start["x"] + 20, start["y"] + 20
    finger.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": x, "y": y}]})
    expect(page.locator(".ahead-queue.is-moving")).to_be_visible()  # the others are a line each now
    held, end = grip.bounding_box(), page.locator("[data-job='2']").bounding_box()
    assert held is not None and end is not None  # noqa: PT018
    assert abs(held["y"] - start["y"]) < 12  # and this one is still under the finger
    for step in range(1, 9):
        to = y + (end["y"] + 5 - y) * step / 8
        finger.send("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": [{"x": x, "y": to}]})
    finger.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    page.get_by_role("heading", name="Job 3 before job 2").wait_for()
    looks_right(page, looks=PHONE)
    assert page.locator("dialog").evaluate("(it) => it.scrollWidth - it.clientWidth") <= 0
    page.get_by_role("button", name="Do it").click()
    page.get_by_text("Done: Job 3 before job 2.").wait_for()
    page.get_by_role("button", name="Job 3 one place later").tap()
    page.get_by_role("button", name="Do it").tap()
    page.get_by_text("Done: Job 3 after job 2.").wait_for()
