"""The floor on a shared tablet: after some minutes without a press it is nobody's, with a connection and without."""

import re

import pytest
from django.utils import timezone
from playwright.sync_api import Page, expect

from jobs.models import ClockEvent, Job
from shop.models import Membership, Purpose, Role, Shop, User
from shop.services.devices import device_invite
from tests.browser.floor_steps import (
    a_job,
    a_shop,
    open_floor,
    press,
    ready,
    settled,
    shows,
    small_targets,
    stopwatch,
)
from tests.browser.offline_world import kept_for_later

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

IDLE = "01:05"  # a little more than the shop's minute


@pytest.fixture
def job() -> Job:
    shop = a_shop()
    Membership.objects.create(user=User.objects.create_user("owner"), shop=shop, role=Role.OWNER)
    Shop.objects.update(names_after_min=1)
    return a_job(shop)


@pytest.fixture
def tablet(page_at, job) -> Page:
    """Let in by its invitation, Ada at it; its clock can be put forward."""
    page, owner = page_at(820), User.objects.get(username="owner")
    now = timezone.now()
    _, code = device_invite(shop=job.shop, name="Bench tablet", purpose=Purpose.FLOOR, by=owner, now=now)
    page.clock.install()
    page.goto(f"/join/{code}/")
    page.get_by_role("button", name="Let this device in").click()
    page.get_by_role("button", name="Ada").click()
    ready(page)
    return open_floor(page, stopwatch(job))


def test_with_a_connection_the_names_come_back(tablet):
    expect(tablet.get_by_text("Ada presses")).to_be_visible()
    tablet.clock.fast_forward(IDLE)
    expect(tablet).to_have_url(re.compile(r"/floor/names/"))


def test_without_one_a_name_is_chosen_and_the_record_says_that_no_pin_was_asked(tablet, assert_accessible):
    tablet.context.set_offline(True)
    expect(tablet.get_by_text("No connection.")).to_be_visible()
    tablet.clock.fast_forward(IDLE)
    expect(tablet.get_by_role("heading", name="Who presses?")).to_be_visible()
    expect(tablet.get_by_role("button", name="Start").first).to_be_disabled()
    assert_accessible(tablet)
    tablet.get_by_role("button", name="Ben").click()
    expect(tablet.get_by_text("no PIN asked")).to_be_visible()
    assert small_targets(tablet) == []
    press(tablet, "Start")
    shows(tablet, "Artwork", "Running")
    tablet.context.set_offline(False)
    tablet.clock.run_for(1000)
    settled(tablet)
    event = ClockEvent.objects.get()
    assert (event.person.name, event.name_unproven) == ("Ben", True)


def test_a_connection_that_goes_on_the_way_to_the_names_leaves_it_to_nobody(tablet):
    kept_for_later(tablet)
    # The last answer that came says that there is a connection; the names page cannot be had any more.
    answer = "globalThis.fetch = async () => new Response(null, { status: 304 })"
    tablet.evaluate(answer)
    tablet.context.set_offline(True)
    tablet.evaluate("dispatchEvent(new Event('online'))")
    tablet.clock.fast_forward(IDLE)
    expect(tablet).to_have_url(re.compile(r"/floor/names/"))
    expect(tablet.get_by_role("heading", name="Who presses?")).to_be_visible()
    expect(tablet.get_by_text("Ada presses")).to_be_hidden()
