"""A job's clock put right on a phone, and a timed sheet typed up, in a real browser."""

import re
from datetime import timedelta
from uuid import UUID

import pytest
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import expect

from jobs.models import Correction, Job, JobType, Lap, Stage
from jobs.services.jobs import job_create
from jobs.services.taps import Tap, record_taps
from shop.models import Membership, Person, Role, User
from shop.services import shop_create

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def job() -> Job:
    shop = shop_create(slug="quay", name="Quay Signs", time_zone="Etc/GMT-1")
    for role in (Role.MAKER, Role.OWNER):
        Membership.objects.create(user=User.objects.create_user(role.value), shop=shop, role=role)
    ada = Person.objects.create(shop=shop, name="Ada", user=User.objects.get(username="maker"))
    job = job_create(shop=shop, job_type=JobType.objects.of(shop).get(name="Vehicle graphics"), title="Van")
    start = timezone.now().replace(hour=8, minute=0, second=0, microsecond=0) - timedelta(days=1)
    weed, mask = (job.stages.get(kind__key=key) for key in ("weed", "mask"))
    off = timedelta(hours=2)
    taps = [
        Tap(UUID(int=1), "start", weed.pk, start - off, person=ada.pk, offset=off),
        Tap(UUID(int=2), "next", weed.pk, start + timedelta(minutes=30), person=ada.pk, to_stage=mask.pk),
        Tap(UUID(int=3), "finish", mask.pk, start + timedelta(hours=10), person=ada.pk),
    ]
    moment = start + timedelta(hours=10)
    record_taps(shop=shop, user=None, taps=taps, sent_at=moment, received_at=moment, device="phone")
    return job


def user(name: str) -> User:
    return User.objects.get(username=name)


def mask_of(job: Job) -> Stage:
    return job.stages.get(kind__key="mask")


def test_a_forgotten_stop_is_put_right_on_a_phone_and_undone(page_at, log_in, assert_accessible, job):
    page = log_in(page_at(390), user("maker"))
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.goto(reverse("jobs:record", args=[job.number]))
    expect(page.get_by_text("was 2 h slow, put right")).to_be_visible()
    page.get_by_text("Put something right").click()
    assert_accessible(page)
    page.get_by_role("link", name="A stop was forgotten").click()
    page.get_by_label("Stage", exact=True).select_option(label="Mask")
    stopped = page.get_by_label("Stopped at")
    stopped.fill(stopped.input_value()[:11] + "10:00:00")
    page.get_by_label("The stage was finished then").check()
    page.get_by_role("button", name="Show what it changes").click()
    expect(page.get_by_role("heading", name="What changes")).to_be_in_viewport()
    expect(page.get_by_role("row", name="Hands-on")).to_contain_text("9 h 30 min")
    expect(page.get_by_role("row", name="Hands-on")).to_contain_text("30 min")
    assert_accessible(page)
    assert page.evaluate("document.documentElement.scrollWidth") == 390
    page.get_by_label("Why").fill("Stop was forgotten")
    page.get_by_role("button", name="Save").click()
    expect(page.locator(".undo-bar")).to_contain_text("Forgotten stop: saved.")
    expect(page.locator(".is-gone")).to_have_count(1)
    page.locator(".corrections summary").first.click()
    assert_accessible(page)
    mask = mask_of(job)
    assert mask.started_at is not None
    assert mask.finished_at == mask.started_at + timedelta(minutes=30)
    page.locator(".undo-bar").get_by_role("button", name="Undo").click()
    expect(page.get_by_text("The clock is as it was before.")).to_be_visible()
    mask.refresh_from_db()
    assert mask.finished_at == mask.started_at + timedelta(hours=9, minutes=30)
    assert wrong == []


def test_every_press_is_large_enough_for_a_gloved_thumb(page_at, log_in, job):
    page = log_in(page_at(390), user("owner"))
    page.goto(reverse("jobs:record", args=[job.number]))
    page.get_by_text("Put something right").click()
    sizes = page.locator("main .button:visible, main summary:visible").evaluate_all(
        "all => all.map(one => [one.textContent.trim(), one.getBoundingClientRect().height])"
    )
    assert len(sizes) > 10
    assert [one for one in sizes if one[1] < 48] == []


def test_a_timed_sheet_is_checked_while_it_is_typed(page_at, log_in, assert_accessible, job):
    page = log_in(page_at(820, color_scheme="dark"), user("maker"))
    page.goto(reverse("jobs:correct", args=[job.number, "sheet"]))
    page.get_by_label("Stage", exact=True).select_option(label="Cut")
    page.get_by_label("Day").fill(f"{timezone.now() - timedelta(days=1):%Y-%m-%d}")
    page.get_by_label("Began at").fill("07:00:00")
    sheet = page.get_by_label("The sheet")
    sheet.fill("load the film  2:00\ncut test  1:30")
    expect(page.locator("[data-seen]")).to_contain_text("Line 2, column 11: the watch goes back")
    sheet.fill("load the film  2:00\ncut test  3:30")
    expect(page.locator(".sheet-rows")).to_contain_text("1:30")
    expect(page.get_by_role("row", name=re.compile("2 lines"))).to_contain_text("3:30")
    assert_accessible(page)
    page.get_by_label("Why").fill("From a timed sheet")
    page.get_by_role("button", name="Save").click()
    expect(page.locator(".undo-bar")).to_contain_text("Timed sheet typed up: saved.")
    assert list(Lap.objects.order_by("starts_at").values_list("seconds", flat=True)) == [120.0, 90.0]


def test_with_no_script_a_press_is_taken_back_by_keyboard(page_at, log_in, job):
    page = log_in(page_at(1440, java_script_enabled=False), user("owner"))
    page.goto(reverse("jobs:record", args=[job.number]))
    page.get_by_role("link", name=re.compile("Take back.*Mask Finished at")).focus()
    page.keyboard.press("Enter")
    why = page.get_by_label("Why")
    why.focus()
    page.keyboard.type("Pressed by mistake")
    page.keyboard.press("Enter")  # shows what changes; saves nothing
    expect(page.get_by_role("heading", name="What changes")).to_be_visible()
    assert not Correction.objects.exists()
    page.get_by_role("button", name="Save").focus()
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Corrections")).to_be_visible()
    assert mask_of(job).state == "running"
