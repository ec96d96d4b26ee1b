"""The board on the wall in a real browser: what is pressed shows, what an idle board asks for, and whether it fits."""

import time
from datetime import timedelta
from itertools import pairwise

import pytest
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import Page, Response, expect

from jobs.models import Job
from shop.models import Machine, MachineKind, Membership, Person, Role, User
from tests.analytics.floor import QuayFloor
from tests.browser.looks import comes_to_nothing
from tests.browser.wall_steps import press_by_api

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

LOOKS, PATIENCE = 4, 60.0  # questions of an idle board, and seconds in which so many are waited for
LEAST_APART = 500  # ms from one to the next: there is one in a second


@pytest.fixture
def floor() -> QuayFloor:
    floor = QuayFloor()
    for role in (Role.VIEWER, Role.MAKER):
        user = User.objects.create_user(role.value)
        Membership.objects.create(user=user, shop=floor.shop, role=role)
    return floor


def open_wall(page_at, log_in, width: int = 1440, **options) -> Page:
    page = log_in(page_at(width, **options), User.objects.get(username="viewer"))
    page.goto(reverse("analytics:wall"))
    return page


def crowded(floor: QuayFloor, people: int) -> None:
    """So many people, each at a stage on a machine of their own, of a job with a date."""
    for n in range(people):
        person = Person.objects.create(shop=floor.shop, name=f"Person {n}")
        machine = Machine.objects.create(shop=floor.shop, name=f"Printer {n}", kind=MachineKind.PRINTER)
        begun = timezone.now() - timedelta(minutes=n + 1)
        floor.press("start", floor.stage("weed"), begun, person, machine=machine)
    Job.objects.of(floor.shop).update(due_at=timezone.now() + timedelta(days=9))


def test_what_is_pressed_is_on_the_board_without_a_touch(page_at, log_in, floor):
    page, stage = open_wall(page_at, log_in), floor.stage("weed")
    expect(page.get_by_text("Nothing runs.")).to_be_visible()
    for kind, says in (
        ("start", "Weed"),
        ("finish", "Nothing runs"),
        ("start", "Weed"),
        ("aside", "Nothing runs"),
    ):
        press_by_api(floor, kind, stage)
        expect(page.locator(".wall-runs")).to_contain_text(says)


def test_an_idle_board_is_told_each_second_that_nothing_is_new_and_no_more(page_at, log_in, floor):
    page = open_wall(page_at, log_in)
    page.wait_for_load_state("networkidle")
    heard: list[Response] = []
    page.on("response", lambda response: heard.append(response))
    until = time.monotonic() + PATIENCE
    while len(heard) < LOOKS and time.monotonic() < until:
        page.wait_for_timeout(100)
    assert len(heard) >= LOOKS
    assert {(one.status, one.url) for one in heard} == {(304, page.url)}
    begun = [one.request.timing["startTime"] for one in heard]
    assert all(later - earlier > LEAST_APART for earlier, later in pairwise(begun))


def test_the_running_time_ticks_and_the_rest_stands_still(page_at, log_in, floor):
    floor.press("start", floor.stage("weed"), timezone.now() - timedelta(minutes=61))
    page = open_wall(page_at, log_in)
    first = page.locator(".wall-time").inner_text()
    assert first.startswith("1:0")
    expect(page.locator(".wall-time")).not_to_have_text(first)
    assert page.evaluate("document.getAnimations().length") == 0


def test_a_board_without_a_connection_says_since_when(page_at, log_in, floor):
    page = open_wall(page_at, log_in)
    page.context.set_offline(True)
    expect(page.get_by_text("No contact with the server since")).to_be_visible()
    page.context.set_offline(False)
    expect(page.get_by_text("No contact with the server since")).to_be_hidden()


CUT_OFF = """[...document.querySelectorAll("[data-fit] > li:not([hidden]), .wall-more:not([hidden])")]
  .filter((one) => { const box = one.getBoundingClientRect();
    return box.bottom > innerHeight || box.right > innerWidth; }).map((one) => one.textContent)"""
MISCOUNTED = """(() => {
  const shown = [...document.querySelectorAll(".wall-run")].filter((one) => one.checkVisibility()).length;
  const said = document.querySelector(".wall-runs .wall-more").textContent;
  return said === `and ${16 - shown} more` ? [] : [said];
})()"""


def test_it_shows_what_fits_says_how_many_more_and_is_for_everybody(
    page_at, log_in, floor, assert_accessible, looks_right
):
    crowded(floor, 16)
    page = open_wall(page_at, log_in, 1440)
    for width, height in ((1920, 1080), (1280, 800), (820, 1180)):
        page.set_viewport_size({"width": width, "height": height})
        expect(page.locator(".wall-runs .wall-more")).to_be_visible()
        assert comes_to_nothing(page, CUT_OFF) == [], f"cut off at {width} × {height}"
        assert comes_to_nothing(page, MISCOUNTED) == [], f"at {width} × {height}"
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)
            assert_accessible(page)
    looks_right(page, looks=[(390, "light"), (390, "dark")])
