"""A replay in a browser: nothing chosen is told, two changes are listed, played, watched and read, and removed."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone
from playwright.sync_api import expect

from analytics.models import Replay
from shop.models import Membership, Role, User
from tests.analytics.quay import make_quay
from tests.analytics.replay_world import past_job

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

Pages = Callable[..., Any]


def test_a_planner_plays_the_quarter_again(page_at: Pages, log_in: Pages, looks_right: Pages) -> None:
    shop = make_quay()
    first = timezone.now() - timedelta(days=40)
    for k in range(12):
        came = first + timedelta(days=3 * k)
        past_job(shop, came, ("weed", 200.0 + 10 * k), due_at=came + timedelta(days=1))
    user = User.objects.create_user("planner")
    Membership.objects.create(user=user, shop=shop, role=Role.PLANNER)
    page = log_in(page_at(390), user)

    page.goto("/replay/")
    looks_right(page)
    page.get_by_role("button", name="Play it again").click()
    page.get_by_text("Nothing is changed").wait_for()
    looks_right(page)
    page.get_by_label("Open on a day").select_option(label="Saturday")
    page.get_by_label("Opens").fill("09:00")
    page.get_by_label("Closes").fill("17:00")
    page.get_by_role("button", name="Add to the list").click()
    page.get_by_role("button", name="Take out: open on Saturday").click()
    page.get_by_text("The list is empty.").wait_for()
    page.get_by_role("button", name="Put it back").click()
    page.get_by_label("Another person").select_option(label="Somebody who can do everything")
    page.get_by_role("button", name="Add to the list").click()
    expect(page.get_by_role("group", name="Changed together").get_by_role("listitem")).to_have_count(2)
    looks_right(page)
    page.get_by_role("button", name="Play it again").click()
    page.get_by_role("heading", name="How far to trust it").wait_for()
    expect(page.locator("main")).to_contain_text("12 jobs")
    looks_right(page)
    page.get_by_role("button", name="Remove").click()
    page.get_by_role("dialog").get_by_role("button", name="Remove it").click()
    page.get_by_text("The replay is removed.").wait_for()
    assert not Replay.objects.exists()
