"""Questions about the clock in a real browser: asked at the next start, answered with one press."""

import re
from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import Page, expect

from analytics.services.learning import sweep_shop
from jobs.models import Correction, CorrectionKind, Interval, IntervalKind, Stage
from shop.models import Membership, OpeningHours, Person, Role, User
from tests.analytics.floor import QuayFloor
from tests.browser.floor_steps import ready

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def floor() -> QuayFloor:
    """Ann has a log-in; the shop has no hours, so that nothing hangs on the time at which the test runs."""
    floor = QuayFloor()
    OpeningHours.objects.all().delete()
    user = User.objects.create_user("maker")
    Membership.objects.create(user=user, shop=floor.shop, role=Role.MAKER)
    Person.objects.filter(pk=floor.ann.pk).update(user=user)
    floor.practised()
    sweep_shop(floor.shop)
    return floor


def phone(page_at, log_in, width: int = 390, **options) -> Page:
    return log_in(page_at(width, **options), User.objects.get(username="maker"))


def forgot(floor: QuayFloor) -> Stage:
    weed = floor.stage("weed")
    floor.press("start", weed, timezone.now() - timedelta(hours=5))
    return weed


def test_the_next_start_asks_and_one_press_answers(page_at, log_in, floor):
    weed, mask = forgot(floor), floor.stage("mask")
    page = phone(page_at, log_in)
    page.goto(reverse("jobs:stopwatch", args=[mask.job.number]))
    ready(page)
    expect(page.get_by_text("Was a stop forgotten?")).to_be_hidden()
    page.get_by_role("button", name=re.compile("^Start")).first.click()
    expect(page.get_by_text("Was a stop forgotten?")).to_be_visible()
    expect(page.get_by_text("until something else was begun")).to_be_visible()
    page.get_by_label("Yes", exact=True).check()
    page.get_by_role("button", name=re.compile("^I stopped at")).first.click()
    expect(page.get_by_text("Was a stop forgotten?")).to_be_hidden()
    assert Correction.objects.get().kind == CorrectionKind.FORGOTTEN
    weed.refresh_from_db()
    assert weed.state == "finished"
    hands = Interval.objects.get(stage=weed, kind=IntervalKind.HANDS_ON)
    assert hands.ends_at is not None
    assert hands.ends_at - hands.starts_at < timedelta(hours=1)


def test_later_puts_it_off_and_opening_the_floor_asks_again(page_at, log_in, floor):
    forgot(floor)
    floor.press("start", floor.stage("mask"), timezone.now() - timedelta(minutes=5))
    page = phone(page_at, log_in)
    page.goto(reverse("jobs:floor"))
    expect(page.get_by_text("Was a stop forgotten?")).to_be_visible()
    page.get_by_role("button", name="Later").click()
    expect(page.get_by_text("Was a stop forgotten?")).to_be_hidden()
    page.reload()
    expect(page.get_by_text("Was a stop forgotten?")).to_be_visible()
    page.get_by_role("button", name=re.compile("^It is right")).click()
    expect(page.get_by_text("Was a stop forgotten?")).to_be_hidden()
    assert Correction.objects.get().kind == CorrectionKind.VOUCH


def test_without_a_script_the_questions_have_a_page_of_their_own(page_at, log_in, floor):
    forgot(floor)
    floor.press("start", floor.stage("mask"), timezone.now() - timedelta(minutes=5))
    page = phone(page_at, log_in, java_script_enabled=False)
    page.goto(reverse("analytics:doubts"))
    page.get_by_role("button", name=re.compile("^I stopped at")).first.click()
    expect(page.get_by_text("Nothing to ask")).to_be_visible()
    assert Correction.objects.count() == 1


SMALL = """[...document.querySelectorAll(".doubt :is(button, summary, label.tap, a, [type=datetime-local])")]
  .filter((one) => one.checkVisibility() && one.getBoundingClientRect().height < 48)
  .map((one) => one.textContent)"""


def test_the_questions_fit_and_are_for_everybody(page_at, log_in, floor, looks_right):
    forgot(floor)
    floor.press("start", floor.stage("mask"), timezone.now() - timedelta(minutes=5))
    page = phone(page_at, log_in)
    for address in (reverse("analytics:doubts"), reverse("jobs:floor")):
        page.goto(address)
        expect(page.get_by_text("Was a stop forgotten?")).to_be_visible()
        page.get_by_text("At another time").click()
        looks_right(page, SMALL, looks=[(390, "light"), (390, "dark"), (820, "dark"), (1280, "light")])


def test_without_a_script_the_floor_leads_to_the_questions(page_at, log_in, floor):
    page = phone(page_at, log_in, java_script_enabled=False)
    page.goto(reverse("jobs:floor"))
    page.get_by_role("link", name="Questions about the clock").click()
    expect(page.get_by_text("Nothing to ask")).to_be_visible()
