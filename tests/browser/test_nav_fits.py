"""The navigation on a phone: every entry of every role is in sight, and so is the current tab of a long row of tabs."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page

from shop.models import Membership, Role, User
from tests.analytics.quay import make_quay

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

Pages = Callable[..., Any]

OUT_OF_SIGHT = """(selector) => [...document.querySelectorAll(selector)].filter((one) => {
  const box = one.getBoundingClientRect();
  return box.left < 0 || box.right > innerWidth + 0.5 || box.height < 44 || box.width === 0;
}).map((one) => one.textContent)"""


def out_of_sight(page: Page, selector: str) -> list[str]:
    found: list[str] = page.evaluate(OUT_OF_SIGHT, selector)
    return found


def test_every_role_sees_every_entry_and_where_it_is(page_at: Pages, log_in: Pages) -> None:
    shop = make_quay()
    for role, entries in ((Role.OWNER, 8), (Role.PLANNER, 8), (Role.MAKER, 6), (Role.VIEWER, 4)):
        user = User.objects.create_user(role.value)
        Membership.objects.create(user=user, shop=shop, role=role)
        page = log_in(page_at(390), user)
        page.goto("/durations/")
        assert page.locator(".site-nav a").count() == entries
        for width in (320, 390, 700, 820):
            page.set_viewport_size({"width": width, "height": 844})
            assert out_of_sight(page, ".site-nav a") == [], f"{role}, {width} px"
            assert page.evaluate("document.documentElement.scrollWidth") <= width
        page.context.close()


def test_a_row_of_tabs_begins_where_its_current_one_is(page_at: Pages, log_in: Pages) -> None:
    user = User.objects.create_user("planner")
    Membership.objects.create(user=user, shop=make_quay(), role=Role.PLANNER)
    page = log_in(page_at(390), user)
    for path in ("/ahead/", "/watch/", "/order/", "/promises/", "/replay/"):
        page.goto(path)
        assert out_of_sight(page, ".subnav [aria-current], .tabs [aria-current]") == [], path
        assert page.evaluate("scrollY") == 0
