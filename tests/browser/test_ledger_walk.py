"""The ledger of dates in a browser: looked at, searched, unfolded, and made to set the dates to come."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone
from playwright.sync_api import expect

from analytics.models import Promise
from jobs.models import Job, JobStatus, JobType
from shop.models import Membership, Role, Shop, User
from shop.services import shop_create, weekday_hours_create

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

Pages = Callable[..., Any]


def dates(shop: Shop, user: User, kept: int, missed: int) -> None:
    """So many dates, one a day, each with a forecast; the latest was changed once."""
    now, day = timezone.now().replace(second=0, microsecond=0), timedelta(days=1)
    of_type = JobType.objects.of(shop).order_by("pk")[0]
    for k in range(kept + missed):
        due = now - (k + 1) * day
        done = due + timedelta(minutes=-90 if k < kept else 200)
        job = Job.objects.create(
            shop=shop,
            number=k + 1,
            title=f"Van {k}",
            job_type=of_type,
            status=JobStatus.FINISHED,
            finished_at=done,
        )
        before = _date(job, user, due - 5 * day, due - day / 2) if k == 0 else None
        _date(job, user, due - 3 * day, due, replaces=before, why_changed="customer" if before else "")


def _date(job: Job, user: User, made_at: Any, promised_at: Any, **more: Any) -> Promise:
    hours = {"0.5": -1, "0.8": 0, "0.95": 2}
    return Promise.objects.create(
        shop=job.shop,
        job=job,
        made_at=made_at,
        made_by=user,
        promised_at=promised_at,
        confidence=0.8,
        quantiles={p: (promised_at + timedelta(hours=h)).isoformat() for p, h in hours.items()},
        quote={},
        seed=1,
        runs=1,
        model_version="",
        backlog_digest="",
        snapshot=b"",
        **more,
    )


def test_an_owner_looks_at_what_was_kept_and_lets_dates_follow(
    page_at: Pages, log_in: Pages, looks_right: Pages
) -> None:
    shop = shop_create(slug="quay", name="Quay Signs", time_zone="UTC")
    weekday_hours_create(shop)
    user = User.objects.create_user("owner", password="a long enough word")
    Membership.objects.create(user=user, shop=shop, role=Role.OWNER)
    page = log_in(page_at(390), user)

    page.goto("/promises/")
    page.get_by_text("No date has been given yet").wait_for()
    looks_right(page)
    dates(shop, user, 12, 16)
    page.reload()
    page.get_by_role("heading", name="How true the odds are").wait_for()
    looks_right(page)
    page.get_by_label("Outcome").select_option("changed")
    page.get_by_role("button", name="Show").click()
    expect(page.locator(".ledger tbody tr")).to_have_count(1)
    page.get_by_text("1 date before it").click()
    page.get_by_text("Moved: the customer asked for it").wait_for()
    looks_right(page)
    page.get_by_role("button", name="Let dates follow the past").click()
    page.get_by_role("heading", name="Dates follow the past").wait_for()
    expect(page.locator("main")).to_contain_text("so that eight in ten hold")
    assert Shop.objects.get(pk=shop.pk).confidence_follows
