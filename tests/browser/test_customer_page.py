"""A customer's page in a browser: made from the job's page, opened by somebody with no log-in, and revoked."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from jobs.models import Job, JobStatus
from shop.models import Membership, Role, User
from tests.analytics.quay import enquiry, make_quay

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

Pages = Callable[..., Any]


def test_a_planner_gives_a_customer_their_page_and_takes_it_back(
    page_at: Pages, log_in: Pages, assert_accessible: Pages
) -> None:
    shop = make_quay()
    job = enquiry(shop, customer_name="Harbour Café")
    Job.objects.filter(pk=job.pk).update(status=JobStatus.PROMISED, due_at=timezone.now() + timedelta(days=9))
    user = User.objects.create_user("planner")
    Membership.objects.create(user=user, shop=shop, role=Role.PLANNER)
    planner, customer = log_in(page_at(820), user), page_at(390, color_scheme="dark")

    planner.goto(f"/jobs/{job.number}/")
    planner.get_by_role("link", name="Page for the customer").click()
    assert_accessible(planner)
    planner.get_by_role("button", name="Make its page").click()
    url = planner.get_by_label("Send this to the customer").input_value()
    assert_accessible(planner)
    planner.get_by_role("button", name="Copy").click()
    planner.get_by_role("button", name="Copied").or_(planner.get_by_text("Marked")).wait_for()

    customer.goto(url)
    customer.get_by_role("heading", name="Your job is booked in.").wait_for()
    assert_accessible(customer)
    assert customer.evaluate("document.documentElement.scrollWidth") <= 390
    assert customer.context.cookies() == []

    planner.get_by_role("button", name="Revoke it").click()
    planner.get_by_role("dialog").get_by_role("button", name="Revoke it").click()
    planner.get_by_text("opens nothing any more").wait_for()
    customer.reload()
    customer.get_by_role("heading", name="This address opens nothing").wait_for()
    assert_accessible(customer)
