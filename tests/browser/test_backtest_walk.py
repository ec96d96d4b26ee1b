"""A walk through the past in a real browser: begun, watched while it goes on, stopped, and read at its end."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest

from analytics import tasks
from analytics.models import BacktestRun, RunState
from analytics.services import walks
from analytics.services.learning import sweep_shop
from analytics.services.walks import WALKS
from shop.models import Membership, Role, Shop, User
from shop.services import shop_create
from tests.analytics.derived import MONDAY, a_job, finish

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

Pages = Callable[..., Any]
JOBS = 14


@pytest.fixture
def planner() -> User:
    """Who plans in a shop of 14 finished jobs."""
    shop = shop_create(slug="quay", name="Quay Signs", time_zone="Europe/London")
    for n in range(JOBS):
        job, at = a_job(shop, ("Lettering", "Window graphics")[n % 2]), MONDAY + timedelta(days=n)
        finish(job, "hemming", 10.0 + 7 * (n % 5), at)
        finish(job, "welding", 5.0 + n % 4, at + timedelta(hours=3))
    sweep_shop(shop)
    user = User.objects.create_user("planner", password="a long enough word")
    Membership.objects.create(user=user, shop=shop, role=Role.PLANNER)
    return user


@pytest.fixture
def by_hand(monkeypatch: pytest.MonkeyPatch) -> Callable[[int], None]:
    """`by_hand(3)` does what a worker would, three jobs far; no worker does anything by itself."""
    monkeypatch.setattr(tasks.carry_on_walk, "apply_async", lambda *_, **__: None)
    monkeypatch.setattr(walks, "BEAT", 0.0)

    def by_hand(jobs: int) -> None:
        run = BacktestRun.objects.get()
        for _ in range(jobs):
            WALKS.carry_on(run.pk, 0.0)

    return by_hand


def test_a_walk_is_begun_watched_stopped_gone_on_with_and_read(
    planner: User, by_hand: Callable[[int], None], page_at: Pages, log_in: Pages, assert_accessible: Pages
) -> None:
    page = log_in(page_at(390), planner)
    page.goto("/forecasts/walks/")
    assert_accessible(page)
    page.get_by_text("Leave something out").click()
    page.get_by_label("Job type").check()
    page.get_by_role("button", name="Begin").click()
    page.get_by_role("heading", name="Waits for its turn").wait_for()
    by_hand(6)
    page.get_by_text(f"6 of {JOBS}").wait_for()  # without a press: the page looks by itself
    assert page.locator("progress").evaluate("(bar) => bar.value") == 6
    assert_accessible(page)
    page.get_by_role("button", name="Stop").click()
    page.get_by_role("heading", name="Stopped").wait_for()
    by_hand(3)
    assert BacktestRun.objects.get().state == RunState.STOPPED
    page.get_by_role("button", name="Go on").click()
    page.get_by_role("heading", name="Under way").wait_for()
    by_hand(JOBS)
    page.get_by_role("heading", name="Whole jobs, by type").wait_for()
    assert page.get_by_text("Not known").is_visible()
    assert page.locator("table:visible").count() == 0  # on a phone the figures come first
    page.get_by_text("The same as a table").first.click()
    assert page.get_by_role("cell", name="Hemming").is_visible()
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    assert_accessible(page)
    page.get_by_role("button", name="Remove").click()
    page.get_by_role("button", name="Remove it").click()
    page.get_by_text("The walk is removed.").wait_for()
    assert not BacktestRun.objects.exists()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_what_a_walk_says_can_be_read_at_every_width(
    planner: User, page_at: Pages, log_in: Pages, assert_accessible: Pages, scheme: str
) -> None:
    run = walks.run_want(Shop.objects.get(), walks.Wanted(), planner, MONDAY)
    WALKS.carry_on(run.pk, 60.0)
    for width in (390, 820, 1280):
        page = log_in(page_at(width, color_scheme=scheme), planner)
        page.goto(f"/forecasts/walks/{run.pk}/")
        assert page.get_by_role("heading", name="Stages").is_visible()
        assert_accessible(page)
        assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_without_scripts_a_press_looks_again(
    planner: User, by_hand: Callable[[int], None], page_at: Pages, log_in: Pages
) -> None:
    run = walks.run_want(Shop.objects.get(), walks.Wanted(), planner, MONDAY)
    page = log_in(page_at(820, java_script_enabled=False), planner)
    page.goto(f"/forecasts/walks/{run.pk}/")
    by_hand(4)
    page.get_by_role("link", name="Look again").click()
    page.get_by_text(f"4 of {JOBS}").wait_for()
    assert page.get_by_role("progressbar").count() == 1
