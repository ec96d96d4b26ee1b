"""Sharing what was learned, in a browser: from the settings, on, taken, looked at and off again."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import expect

from shop.models import Membership, Role, Shop, User
from tests.analytics.test_sharing import make

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

Pages = Callable[..., Any]


def test_an_owner_shares_takes_and_stops(page_at: Pages, log_in: Pages, looks_right: Pages) -> None:
    for i in range(3):
        make(f"other-{i}", 2.0)
    shop = make("mine", 1.5, shares=False)
    user = User.objects.create_user("owner", password="a long enough word")
    Membership.objects.create(user=user, shop=shop, role=Role.OWNER)
    page = log_in(page_at(390), user)

    page.goto("/shop/")
    page.get_by_role("link", name="Sharing what was learned").click()
    page.get_by_role("heading", name="What would leave this shop").wait_for()
    expect(page.locator("main")).to_contain_text("3 other shops share")
    looks_right(page)
    page.get_by_role("button", name="Share what this shop has learned").click()
    page.get_by_role("heading", name="Exactly what leaves this shop").wait_for()
    page.get_by_role("button", name="Take the latest").click()
    page.get_by_role("heading", name="What this shop took").wait_for()
    page.get_by_text("hands-on: ").first.click()
    page.get_by_text("As it is sent").first.click()
    looks_right(page)
    page.get_by_role("button", name="Stop sharing").click()
    page.get_by_role("heading", name="This shop does not share").wait_for()
    assert not Shop.objects.get(pk=shop.pk).shares_learning
