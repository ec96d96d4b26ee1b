"""The board on the wall in a real browser: how soon a press shows, what an idle board asks for, and whether it fits."""

import time
import uuid
from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import Page, Response, expect

from jobs.models import Job, Stage
from shop.models import Machine, MachineKind, Membership, Person, Role, User
from tests.analytics.floor import QuayFloor

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

SOON = 2000  # ms in which a press must be on the board


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


def press_by_api(floor: QuayFloor, kind: str, stage: Stage) -> None:
    client, now = Client(), timezone.now().isoformat()
    client.force_login(User.objects.get(username="maker"), "django.contrib.auth.backends.ModelBackend")
    tap = {"id": str(uuid.uuid4()), "kind": kind, "stage": stage.pk, "at": now, "person": floor.ann.pk}
    answer = client.post("/api/v1/taps", {"sent_at": now, "taps": [tap]}, content_type="application/json")
    assert [one["status"] for one in answer.json()["results"]] == ["stored"]


def crowded(floor: QuayFloor, people: int) -> None:
    """So many people, each at a stage on a machine of their own, of a job with a date."""
    for n in range(people):
        person = Person.objects.create(shop=floor.shop, name=f"Person {n}")
        machine = Machine.objects.create(shop=floor.shop, name=f"Printer {n}", kind=MachineKind.PRINTER)
        begun = timezone.now() - timedelta(minutes=n + 1)
        floor.press("start", floor.stage("weed"), begun, person, machine=machine)
    Job.objects.of(floor.shop).update(due_at=timezone.now() + timedelta(days=9))


def test_a_press_is_on_the_board_within_two_seconds(page_at, log_in, floor, capsys):
    page, stage = open_wall(page_at, log_in), floor.stage("weed")
    expect(page.get_by_text("Nothing runs.")).to_be_visible()
    waits = []
    for kind, says in (
        ("start", "Weed"),
        ("finish", "Nothing runs"),
        ("start", "Weed"),
        ("aside", "Nothing runs"),
    ):
        press_by_api(floor, kind, stage)
        begun = time.perf_counter()
        expect(page.locator(".wall-runs")).to_contain_text(says, timeout=SOON)
        waits.append(time.perf_counter() - begun)
    with capsys.disabled():
        print(f"\nwall: a press was on the board after {max(waits):.2f} s at the most of {len(waits)}")


def test_an_idle_board_is_told_each_second_that_nothing_is_new_and_no_more(page_at, log_in, floor):
    page = open_wall(page_at, log_in)
    page.wait_for_timeout(1500)
    heard: list[Response] = []
    page.on("response", lambda response: heard.append(response))
    page.wait_for_timeout(4500)
    assert len(heard) >= 3
    assert {one.status for one in heard} == {304}


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


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_shows_what_fits_says_how_many_more_and_is_for_everybody(
    page_at, log_in, floor, assert_accessible, scheme
):
    crowded(floor, 16)
    page = open_wall(page_at, log_in, 1440, color_scheme=scheme)
    for width, height in ((1920, 1080), (1280, 800), (820, 1180)):
        page.set_viewport_size({"width": width, "height": height})
        expect(page.locator(".wall-runs .wall-more")).to_be_visible()
        for _ in range(30):  # the board fits itself anew after the screen has changed
            hidden = page.evaluate(CUT_OFF)
            if not hidden:
                break
            page.wait_for_timeout(100)
        assert hidden == [], f"cut off at {width} × {height}"
        shown = page.locator(".wall-run:visible").count()
        assert page.locator(".wall-runs .wall-more").inner_text() == f"and {16 - shown} more"
        assert_accessible(page)
    page.set_viewport_size({"width": 390, "height": 844})
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert_accessible(page)
