"""One person's day on the floor at 390 px, from the log-in to the last undo, with axe at each state.

LOOK_AT=folder keeps a picture of each state there.
"""

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from jobs.models import ClockEvent, Interval, IntervalKind, Job, Lap, StageState
from shop.models import Membership, Role, User
from tests.browser.floor_steps import (
    a_job,
    a_shop,
    fold_open,
    kinds,
    press,
    ready,
    settled,
    shows,
    small_targets,
)
from tests.browser.thumb import rest

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PASSWORD = "a-long-day-at-the-bench"


@pytest.fixture
def job() -> Job:
    shop = a_shop()
    Membership.objects.create(user=User.objects.create_user("owner"), shop=shop, role=Role.OWNER)
    a_job(shop, "Shop window")
    user = User.objects.get(username="maker")
    user.set_password(PASSWORD)
    user.save()
    return a_job(shop)


@pytest.fixture
def phone(page_at) -> Page:
    """A phone with a thumb on it: no mouse, no hover."""
    return page_at(390, is_mobile=True)


@pytest.fixture
def look(phone, assert_accessible) -> Callable[[str], None]:
    """`look("paused")`: the page fits, everybody can read it and gloves press it; and its picture, if asked for."""
    folder = os.environ.get("LOOK_AT")

    def look(state: str) -> None:
        assert phone.evaluate("document.documentElement.scrollWidth <= innerWidth"), state
        assert small_targets(phone) == [], state
        assert_accessible(phone)
        if folder:
            phone.screenshot(path=str(Path(folder) / f"day-{state}.png"))

    return look


def log_in_by_hand(page: Page) -> None:
    page.goto("/login/")
    page.get_by_label("User name").or_(page.locator("input[name=username]")).first.fill("maker")
    page.locator("input[name=password]").fill(PASSWORD)
    page.locator("main button[type=submit]").click()
    page.wait_for_url(lambda url: "/login/" not in url)


def do_again(page: Page) -> None:
    """Two pieces and a metre and a half of film went wrong: the print is done again."""
    fold_open(page, "Do again")
    fold = page.locator(".again")
    expect(fold.get_by_role("button", name="Do ")).to_be_disabled()
    fold.locator("label", has=page.locator("input[name=again-cause]")).first.click()
    fold.get_by_text("Print", exact=True).click()
    fold.get_by_label("Pieces scrapped", exact=True).fill("0.6")  # there is no part of a piece
    fold.get_by_role("button", name="More: Pieces scrapped").click()
    for _ in range(4):
        fold.get_by_role("button", name="More: Film wasted").click()
    fold.get_by_role("button", name="Less: Film wasted").click()
    expect(fold.get_by_role("button", name="Do Print again")).to_contain_text(
        "2 pieces scrapped, 1.5 m of film wasted"
    )


def test_a_day_on_the_floor(phone, look, job):
    log_in_by_hand(phone)
    phone.goto("/floor/")
    ready(phone)
    look("morning")
    the_morning(phone, look)
    a_second_job_beside_the_printer(phone, look)
    the_afternoon(phone, look)
    assert Interval.objects.filter(stage__kind__key="print", again=True).exists()
    the_server_has_it(job)


def the_morning(phone, look) -> None:
    phone.locator("[data-lead] .main-tap button").click()  # one tap
    expect(phone.locator("[data-lead][data-state=running]")).to_be_visible()
    expect(phone.locator("[data-undo]")).to_contain_text("Artwork started")
    look("started")
    settled(phone)
    fold_open(phone, "Pause")
    look("causes")
    press(phone, "Customer")
    expect(phone.locator("[data-lead]")).to_contain_text("Customer, since")
    settled(phone)
    look("paused")
    press(phone, "Resume")
    settled(phone)
    press(phone, "Next: Load and set up")
    settled(phone)
    press(phone, "Next: Print")
    settled(phone)


def a_second_job_beside_the_printer(phone, look) -> None:
    phone.locator("[data-lead] h2 a").click()
    shows(phone, "Print", "Running")
    press(phone, "Lap: Warm up")
    expect(phone.get_by_role("button", name="Lap: First metre")).to_contain_text("before it Warm up")
    settled(phone)
    look("lap")
    press(phone, "Leave it running")
    expect(phone.locator("[data-about]")).to_contain_text("Wide printer runs alone")
    settled(phone)
    look("alone")
    phone.get_by_role("link", name="Floor").last.click()
    expect(phone.locator("[data-lead]")).to_be_visible()
    look("floor")
    phone.get_by_role("searchbox").fill("window")
    phone.locator("[data-found]").get_by_role("button", name="Start").click()
    expect(phone.locator("[data-lead][data-state=running]")).to_contain_text("Shop window")
    expect(phone.locator("article", has_text="Van, two sides")).to_contain_text("runs alone")
    settled(phone)
    look("beside")


def the_afternoon(phone, look) -> None:
    phone.locator("article", has_text="Van, two sides").locator("h2 a").click()
    do_again(phone)
    look("again")
    phone.get_by_role("button", name="Do Print again").click()
    expect(phone.locator("[data-undo]")).to_contain_text("Print is done again")
    settled(phone)
    fold_open(phone, "Something else")
    press(phone, "Put aside")
    shows(phone, "Print", "Put aside")
    settled(phone)
    look("aside")
    press(phone, "Start")
    settled(phone)
    press(phone, "Next: Cut")
    shows(phone, "Cut", "Running")
    settled(phone)
    press(phone, "Finish")
    shows(phone, "Weed", "Ready")
    settled(phone)
    press(phone, "Undo")
    shows(phone, "Cut", "Running")
    settled(phone)
    look("evening")


def the_server_has_it(job: Job) -> None:
    assert kinds() == [
        "start", "pause", "resume", "next", "next", "lap", "leave", "start", "again", "aside", "start", "next",
        "finish", "void",
    ]  # fmt: skip
    again = ClockEvent.objects.get(kind="again")
    assert (again.scrapped, again.wasted_m, again.cause.remakes) == (2, 1.5, True)
    states = dict(job.stages.values_list("kind__key", "state"))
    assert (states["print"], states["cut"]) == (StageState.FINISHED, StageState.RUNNING)
    assert [lap.element.name for lap in Lap.objects.order_by("starts_at")][:1] == ["Warm up"]
    alone = Interval.objects.filter(stage__kind__key="print", kind=IntervalKind.MACHINE, again=False)
    assert alone.exists()


def test_what_was_typed_last_goes_with_the_press_that_leaves_the_field(phone, log_in, job):
    log_in(phone, User.objects.get(username="maker"))
    phone.goto(f"/floor/{job.number}/")
    ready(phone)
    press(phone, "Start")
    fold_open(phone, "Do again")
    fold = phone.locator(".again")
    fold.locator("label", has=phone.locator("input[name=again-cause]")).first.click()
    rest(phone)
    fold.get_by_label("Pieces scrapped", exact=True).select_text()
    phone.keyboard.type("3")
    press(phone, "Do Artwork again")
    expect(phone.locator("[data-undo]")).to_contain_text("Artwork is done again")
    settled(phone)
    assert [row.scrapped for row in ClockEvent.objects.filter(kind="again")] == [3]
