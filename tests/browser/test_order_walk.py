"""The order of work in a real browser: asked for, watched until its end, taken and put back."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from analytics.models import OrderSearch, RunState
from analytics.services import orders
from analytics.services.orders import SEARCHES
from jobs.drivers import ItemSize
from jobs.models import Job, JobStatus
from shop.models import Membership, Role, Shop, User
from tests.analytics.quay import enquiry, make_quay

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

Pages = Callable[..., Any]

STICKS_OUT = """[...document.querySelectorAll(".card :is(td, p, dd, svg, figcaption)")]
    .filter((one) => one.getBoundingClientRect().right > one.closest(".card").getBoundingClientRect().right + 1)
    .map((one) => one.textContent)"""


@pytest.fixture
def shop() -> Shop:
    """A large job that is due first, and four small ones right behind it."""
    shop, now = make_quay(), timezone.now()
    for k, (size, count) in enumerate([((1200, 2400), 12), *[((300, 200), 4)] * 4]):
        job = enquiry(shop, items=[ItemSize(*size, count)])
        due = now + timedelta(hours=30 + k)
        Job.objects.filter(pk=job.pk).update(status=JobStatus.PROMISED, due_at=due)
    return shop


def test_from_the_wish_to_the_order_put_back(
    shop: Shop, page_at: Pages, log_in: Pages, assert_accessible: Pages, monkeypatch: pytest.MonkeyPatch
) -> None:
    user = User.objects.create_user("planner", password="a long enough word")
    Membership.objects.create(user=user, shop=shop, role=Role.PLANNER)
    work = SEARCHES.carry_on
    monkeypatch.setattr(SEARCHES, "carry_on", lambda _: False)  # the worker is late
    page = log_in(page_at(390), user)
    page.goto("/order/")
    assert_accessible(page)
    page.get_by_label("Short").check()
    page.get_by_role("button", name="Search").click()
    page.get_by_role("heading", name="Waits for its turn").wait_for()
    OrderSearch.objects.update(total=60)
    monkeypatch.setattr(orders, "BEAT", 0.0)
    search = OrderSearch.objects.get()
    work(search.pk, 0.0)
    page.get_by_text("1 order tried.").wait_for()
    page.get_by_role("button", name="Stop").click()
    page.get_by_role("heading", name="Stopped").wait_for()
    page.get_by_role("button", name="Go on").click()
    page.get_by_role("heading", name="Under way").wait_for()
    while work(search.pk):
        pass
    page.get_by_role("heading", name="A better order").wait_for()  # by itself
    search.refresh_from_db()
    assert search.state == RunState.DONE
    for width, scheme in ((390, "light"), (820, "dark"), (1440, "light")):
        page.set_viewport_size({"width": width, "height": 900})
        page.emulate_media(color_scheme=scheme)
        assert_accessible(page)
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert page.evaluate(STICKS_OUT) == []
    page.get_by_role("button", name="Take this order").click()
    page.get_by_text("The order is taken.").wait_for()
    assert Job.objects.exclude(turn_at=None).exists()
    page.get_by_role("button", name="Put it back").click()
    page.get_by_role("button", name="Take this order").wait_for()
    assert not Job.objects.exclude(turn_at=None).exists()
