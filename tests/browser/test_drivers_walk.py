"""A planner's walk through the drivers in a real browser: defining one, saying what depends on it, an own estimate."""

from collections.abc import Callable

import pytest
from django.urls import reverse
from playwright.sync_api import Page, expect

from jobs.drivers import PLANNED, ItemSize
from jobs.models import Driver, Job, JobType, StageKind
from jobs.services.drivers import driver_create
from jobs.services.jobs import job_create
from shop.models import Membership, Role, Shop, User
from shop.services import shop_create

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def shop() -> Shop:
    return shop_create(slug="quay", name="Quay Signs", time_zone="Europe/Berlin")


@pytest.fixture
def planner(shop: Shop) -> User:
    user = User.objects.create_user("planner")
    Membership.objects.create(user=user, shop=shop, role=Role.PLANNER)
    return user


@pytest.fixture
def job(shop: Shop) -> Job:
    return job_create(
        shop=shop,
        job_type=JobType.objects.of(shop).get(name="Lettering"),
        title="Shop window",
        items=[ItemSize(900, 300, letter_mm=20)],
    )


@pytest.fixture
def drivers_page(
    page_at: Callable[..., Page], log_in: Callable[..., Page], planner: User
) -> Callable[..., Page]:
    def open_at(width: int, **options: object) -> Page:
        page = log_in(page_at(width, **options), planner)
        page.goto(reverse("analytics:drivers"))
        return page

    return open_at


@pytest.mark.parametrize("scripts", [True, False])
def test_a_driver_is_defined_and_cleared_of_a_stage_on_a_phone(shop, drivers_page, scripts):
    page = drivers_page(390, java_script_enabled=scripts)
    page.locator("summary", has_text="Add a driver").click()
    form = page.locator("details.new-driver")
    form.get_by_label("Name").fill("Surface")
    form.get_by_role("radio", name="Words").check()
    form.get_by_label("Words to choose from").fill("Steel\nGlass")
    form.get_by_role("button", name="Add it").click()
    expect(page.get_by_text("Surface can be given with jobs from now on.")).to_be_visible()
    expect(page.locator(f"#driver-{Driver.objects.get(key='surface').pk}")).to_contain_text("Steel, Glass.")

    tick = page.get_by_label("Artwork depends on Surface")
    expect(tick).to_be_checked()
    tick.uncheck()
    page.get_by_role("button", name="Save the ticks").click()
    expect(page.get_by_text("Saved: Artwork. What was learned is being learned again")).to_be_visible()
    expect(page.get_by_label("Artwork depends on Surface")).not_to_be_checked()
    expect(page.get_by_label("Weed depends on Surface")).to_be_checked()
    assert [one.key for one in StageKind.objects.get(key="artwork").ignores.all()] == ["surface"]


def test_the_ticks_are_reached_and_saved_by_keyboard_alone(shop, drivers_page):
    page = drivers_page(1440)
    page.get_by_label("Install depends on Share of small letters").focus()
    page.keyboard.press("Space")
    for _ in range(20 * Driver.objects.of(shop).count()):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.textContent") == "Save the ticks":
            break
    page.keyboard.press("Enter")
    expect(page.get_by_text("Saved: Install.")).to_be_visible()
    assert [one.key for one in StageKind.objects.get(key="install").ignores.all()] == ["small_share"]


def test_on_a_phone_what_has_the_focus_is_not_under_the_button_that_saves(shop, drivers_page):
    page = drivers_page(390)
    saves = page.locator(".ticks-save")
    last = page.get_by_label("Install depends on Share of small letters")
    page.get_by_label("Print depends on Area").focus()
    for _ in range(6):
        page.keyboard.press("Tab")
        focused = page.evaluate("document.activeElement.getBoundingClientRect().bottom")
        assert focused <= saves.bounding_box()["y"]
    last.scroll_into_view_if_needed()
    expect(last).to_be_in_viewport()


def test_an_own_estimate_is_written_put_right_and_taken_back(job, page_at, log_in, planner):
    page = log_in(page_at(390), planner)
    page.goto(reverse("jobs:job", args=[job.number]))
    weed = page.locator(f"#stage-{job.stages.get(kind__key='weed').pk}")
    weed.locator("summary").click()
    weed.get_by_label("How long Weed takes").fill("a morning")
    weed.get_by_role("button", name="Keep it").click()
    expect(page.get_by_text("“a morning” is no length of time. Give minutes, as 45")).to_be_visible()
    weed.locator("summary").click()
    weed.get_by_label("How long Weed takes").fill("1:30")
    weed.get_by_role("button", name="Keep it").click()
    expect(weed.locator("summary")).to_contain_text("Own estimate 1 h 30 min")
    assert job.stages.get(kind__key="weed").drivers == {PLANNED: 90.0}
    weed.locator("summary").click()
    weed.get_by_role("button", name="Take it back").click()
    expect(page.get_by_text("The estimate of Weed is taken back.")).to_be_visible()
    assert job.stages.get(kind__key="weed").drivers == {}


def test_the_pages_fit_and_can_be_read_by_everybody(shop, job, page_at, log_in, planner, looks_right):
    driver_create(shop, name="Surface", sort="words", levels=["Steel", "Glass"])
    driver_create(shop, name="Over rivets", sort="yes_no")
    page = log_in(page_at(390), planner)
    for path in (
        reverse("analytics:drivers"),
        reverse("jobs:job", args=[job.number]),
        reverse("jobs:job-edit", args=[job.number]),
    ):
        page.goto(path)
        page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true })")
        looks_right(page)
