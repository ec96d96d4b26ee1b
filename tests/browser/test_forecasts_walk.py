"""How well the forecasts did, in a real browser: read by everybody, and from a figure to the jobs behind it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from analytics.models import Sample
from analytics.services.learning import sweep_shop
from shop.models import Membership, Role, Shop, User
from shop.services import shop_create
from tests.analytics.derived import MONDAY, a_job, finish
from tests.analytics.forecast_rows import a_walk

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

Pages = Callable[..., Any]

STICKS_OUT = """[...document.querySelectorAll(".card :is(.table-wrap, .quality, p, figcaption, .quality-bars)")]
    .filter((one) => one.getBoundingClientRect().right > one.closest(".card").getBoundingClientRect().right)
    .map((one) => one.className || one.tagName)"""
CUT_OFF = """[...document.querySelectorAll(".quality text")].filter((word) => {
    const [box, all] = [word.getBoundingClientRect(), word.closest("svg").getBoundingClientRect()];
    return box.left < all.left - 1 || box.right > all.right + 1 || box.top < all.top - 1 || box.bottom > all.bottom + 1;
}).map((word) => word.textContent)"""


@pytest.fixture
def viewer() -> User:
    """Somebody who may look, in a shop without a walk."""
    shop = shop_create(slug="quay", name="Quay Signs", time_zone="Europe/London")
    user = User.objects.create_user("viewer", password="a long enough word")
    Membership.objects.create(user=user, shop=shop, role=Role.VIEWER)
    return user


def test_everybody_can_read_how_well_the_forecasts_did(
    viewer: User, page_at: Pages, log_in: Pages, looks_right: Pages
) -> None:
    a_walk(Shop.objects.get(), 40, slower={"weed": 1.6})
    page = log_in(page_at(390), viewer)
    for path in ("/forecasts/", "/forecasts/?stage=whole", "/forecasts/cases/"):
        page.goto(path)
        looks_right(page, STICKS_OUT, CUT_OFF)


def test_a_long_reason_why_a_stage_was_not_learned_makes_no_page_wider(
    viewer: User, page_at: Pages, log_in: Pages, looks_right: Pages
) -> None:
    shop = Shop.objects.get()
    stage = finish(a_job(shop), "hemming", 30.0, MONDAY)
    sweep_shop(shop)
    why = "was begun again before it was finished: how long it takes when all goes well is not known"
    Sample.objects.of(shop).update(used=False, why=why)
    page = log_in(page_at(390), viewer)
    for path in (f"/durations/jobs/?kind={stage.kind_id}&type={stage.job.job_type_id}", "/jobs/1/time/"):
        page.goto(path)
        page.get_by_text(why).wait_for()
        looks_right(page)


def test_the_way_from_a_stage_that_is_off_to_the_job_that_was(
    viewer: User, page_at: Pages, log_in: Pages, assert_accessible: Pages
) -> None:
    run = a_walk(Shop.objects.get(), 40, slower={"weed": 2.0})
    page = log_in(page_at(390), viewer)
    page.goto("/durations/")
    page.get_by_role("link", name="How well forecasts did").click()
    page.get_by_role("heading", name="How well the forecasts did").wait_for()
    page.locator(".notice.caution").get_by_role("link", name="Weed").click()
    page.get_by_role("heading", name="Weed").wait_for()
    weeds = run.cases.filter(kind__key="weed")
    worst = max(weeds, key=lambda case: case.actual_min - case.quantiles[7])
    page.locator("tbody a").first.click()
    page.wait_for_url(f"**/jobs/{worst.job.number}/time/")


def test_a_table_wider_than_the_screen_is_scrolled_by_the_keyboard(
    viewer: User, page_at: Pages, log_in: Pages
) -> None:
    a_walk(Shop.objects.get(), 12)
    page = log_in(page_at(390), viewer)
    page.goto("/forecasts/")
    page.locator("summary").get_by_text("By stage, error").locator("..").click()
    table = page.get_by_role("region", name="By stage: error")
    assert table.evaluate("one => one.scrollWidth > one.clientWidth")
    table.focus()
    page.keyboard.press("ArrowRight")
    scrolled = "one => new Promise(done => setTimeout(() => done(one.scrollLeft > 0), 50))"
    assert any(table.evaluate(scrolled) for _ in range(600))


def test_without_a_walk_one_press_leads_to_one(
    viewer: User, page_at: Pages, log_in: Pages, assert_accessible: Pages
) -> None:
    page = log_in(page_at(390), viewer)
    page.goto("/forecasts/")
    assert_accessible(page)
    page.get_by_role("link", name="Try the forecasts on your past jobs").click()
    page.wait_for_url("**/forecasts/walks/")
