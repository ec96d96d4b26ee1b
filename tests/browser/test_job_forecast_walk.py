"""The pages of a job's forecast, in a browser: from the job to a stage and what moved it, for everybody to read."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import expect

from analytics.services.learning import learn_shop
from shop.models import Membership, Role, User
from tests.analytics.floor import QuayFloor, at

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

Pages = Callable[..., Any]


LOOKS = ((390, "light"), (390, "dark"), (820, "light"), (1280, "light"), (1280, "dark"))


def test_a_forecast_can_be_read_and_explained(page_at: Pages, log_in: Pages, looks_right: Pages) -> None:
    floor = QuayFloor()
    floor.practised()
    learn_shop(floor.shop)
    stage = floor.stage()
    for key in ("approval", "mask"):
        floor.stage(key, stage.job)
    floor.press("start", stage, at(9))
    user = User.objects.create_user("owner", password="a long enough word")
    Membership.objects.create(user=user, shop=floor.shop, role=Role.OWNER)
    page = log_in(page_at(390), user)

    page.goto(f"/jobs/{stage.job.number}/")
    page.get_by_role("link", name="Forecast", exact=True).click()
    page.get_by_role("heading", name="How long it takes").wait_for()
    expect(page.locator(".minute-bars .bar-range")).to_have_count(
        2
    )  # weeding and masking; approval is a hold
    looks_right(page, looks=LOOKS)
    page.get_by_text("The same as a table").click()
    looks_right(page, looks=LOOKS)
    page.get_by_role("table").get_by_role("link", name="Weed").click()
    page.get_by_role("heading", name="What moved it").wait_for()
    expect(page.locator("main")).to_contain_text("12 finished weed stages")
    looks_right(page, looks=LOOKS)
