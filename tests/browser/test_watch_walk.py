"""The watch in a browser: what slips, somebody asked for, a test that fails, switched off and removed."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone
from playwright.sync_api import expect

from analytics.models import Listener
from analytics.services.watching import watch_shop
from jobs.drivers import ItemSize
from shop.models import Membership, Role, User
from tests.analytics.quay import enquiry, make_quay
from tests.analytics.watch_worlds import promise_by

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

Pages = Callable[..., Any]


def test_a_planner_sees_what_slips_and_has_a_program_told(
    page_at: Pages, log_in: Pages, looks_right: Pages, settings: Any
) -> None:
    settings.WEBHOOK_PRIVATE = False
    shop, now = make_quay(), timezone.now()
    promise_by(enquiry(shop), now + timedelta(days=2))
    for _ in range(3):
        promise_by(enquiry(shop, items=[ItemSize(1000, 1000, 10)]), now + timedelta(days=1))
    watch_shop(shop, now)
    user = User.objects.create_user("planner", password="a long enough word")
    Membership.objects.create(user=user, shop=shop, role=Role.PLANNER)
    page = log_in(page_at(390), user)

    page.goto("/watch/")
    page.locator(".watch-slip").first.wait_for()
    looks_right(page)
    page.get_by_label("Tell a program at its address").fill("nowhere")
    page.get_by_role("button", name="Add the address").click()
    page.get_by_text("Give an address that begins with").wait_for()
    looks_right(page)
    page.get_by_label("Tell a program at its address").fill("http://127.0.0.1:9/told")
    page.get_by_role("button", name="Add the address").click()
    page.get_by_role("heading", name="The secret of http://127.0.0.1:9/told").wait_for()
    expect(page.locator("main")).to_contain_text(Listener.objects.get().secret)
    looks_right(page)
    page.get_by_role("button", name="Send a test to").click()
    page.get_by_text("which is not written to here").wait_for()
    page.get_by_role("button", name="Switch off").click()
    page.get_by_text("is told nothing until you say so").wait_for()
    page.get_by_role("button", name="Remove http").click()
    page.get_by_role("button", name="Remove it").click()
    page.get_by_text("Nobody is told").wait_for()
    assert not Listener.objects.exists()
