"""What a look at the board on the wall costs, as a ratio to making the board; and how soon a press is on it.

Run with `pytest -m benchmark -s`.
"""

import statistics
import time
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import expect

from analytics import board
from shop.models import Membership, Role, User
from tests.analytics.derived import a_job
from tests.analytics.floor import QuayFloor
from tests.browser.wall_steps import press_by_api

pytestmark = [pytest.mark.benchmark, pytest.mark.django_db(transaction=True)]

SOON = 2.0  # seconds in which a press must be on a board that looks once a second
PRESSES = 10


@pytest.fixture
def floor() -> QuayFloor:
    floor = QuayFloor()
    for role in (Role.VIEWER, Role.MAKER):
        user = User.objects.create_user(role.value)
        Membership.objects.create(user=user, shop=floor.shop, role=role)
    return floor


def test_an_idle_look_costs_next_to_nothing(floor: QuayFloor) -> None:
    floor.practised()
    for n in range(12):
        floor.press("start", floor.stage("weed", a_job(floor.shop)), timezone.now() - timedelta(minutes=n))
    client, url = Client(), reverse("analytics:wall")
    client.force_login(User.objects.get(username="viewer"), "django.contrib.auth.backends.ModelBackend")
    tag = client.get(url, headers={"X-Part": "1"})["ETag"]

    def took(make: bool) -> float:
        if make:
            board._boards.clear()
            board._odds.clear()
        begun = time.process_time()
        client.get(url, headers={"X-Part": "1", "If-None-Match": "" if make else tag})
        return time.process_time() - begun

    whole = statistics.median(took(make=True) for _ in range(5))
    idle = statistics.median(took(make=False) for _ in range(25))
    print(
        f"\nwall: a look at an idle board takes {idle / whole:.3f} of making it ({1000 * idle:.1f} ms of CPU)"
    )
    assert idle < whole / 3


def test_a_press_is_on_the_board_soon(
    floor: QuayFloor, page_at: Callable[..., Any], log_in: Callable[..., Any]
) -> None:
    page = log_in(page_at(1440), User.objects.get(username="viewer"))
    page.goto(reverse("analytics:wall"))
    expect(page.get_by_text("Nothing runs.")).to_be_visible()
    stage, waits = floor.stage("weed"), []
    for n in range(PRESSES):
        press_by_api(floor, ("start", "aside")[n % 2], stage)
        begun = time.perf_counter()
        expect(page.locator(".wall-runs")).to_contain_text(("Weed", "Nothing runs")[n % 2])
        waits.append(time.perf_counter() - begun)
    print(
        f"\nwall: a press was on the board after {max(waits):.2f} × the second between two of its looks, at most"
    )
    assert max(waits) < SOON
