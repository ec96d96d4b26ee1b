"""The pages of a job's forecast, in a browser: from the job to a stage and what moved it, for everybody to read."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from analytics.services.learning import learn_shop
from shop.models import Membership, Role, User
from tests.analytics.floor import QuayFloor, at

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

Pages = Callable[..., Any]


@pytest.mark.parametrize(
    ("width", "scheme"), [(390, "light"), (390, "dark"), (820, "light"), (1280, "light"), (1280, "dark")]
)
def test_a_forecast_can_be_read_and_explained(
    page_at: Pages, log_in: Pages, assert_accessible: Pages, width: int, scheme: str
) -> None:
    floor = QuayFloor()
    floor.practised()
    learn_shop(floor.shop)
    stage = floor.stage()
    for key in ("approval", "mask"):
        floor.stage(key, stage.job)
    floor.press("start", stage, at(9))
    user = User.objects.create_user("owner", password="a long enough word")
    Membership.objects.create(user=user, shop=floor.shop, role=Role.OWNER)
    page = log_in(page_at(width, color_scheme=scheme), user)

    def fits() -> None:
        assert_accessible(page)
        assert page.evaluate("document.documentElement.scrollWidth") <= width

    page.goto(f"/jobs/{stage.job.number}/")
    page.get_by_role("link", name="Forecast", exact=True).click()
    page.get_by_role("heading", name="How long it takes").wait_for()
    assert page.locator(".minute-bars .bar-range").count() == 2  # weeding and masking; approval is a hold
    fits()
    page.get_by_role("table").get_by_role("link", name="Weed").click()
    page.get_by_role("heading", name="What moved it").wait_for()
    assert "12 finished weed stages" in page.inner_text("main")
    fits()
