"""How soon a date stands on the page that asks for it, in a real browser, beside a page that works nothing out.

Run with `pytest -n 0 -m benchmark -s`. From the beginning of the visit to the first paint, the least of several; each
time the whole book is read and simulated anew.
"""

from collections import OrderedDict
from collections.abc import Callable
from typing import Any

import pytest
from backlogs import make_busy_shop, promise_many
from django.urls import reverse
from playwright.sync_api import Page

from analytics.services import running_totals
from analytics.services.promising import now_to_the_minute
from analytics.views import promise as promise_view
from jobs.drivers import ItemSize
from jobs.models import JobType
from jobs.services.jobs import job_create
from shop.models import Membership, Process, Role, User

pytestmark = [pytest.mark.benchmark, pytest.mark.django_db(transaction=True)]

Pages = Callable[..., Any]
ROUNDS = 5
PAINTED = """() => new Promise((done) => {
  const found = (list) => list.getEntriesByName("first-contentful-paint").forEach((one) => done(one.startTime));
  new PerformanceObserver(found).observe({ type: "paint", buffered: true });
})"""


@pytest.mark.parametrize("jobs", [50, 200])
def test_a_date_is_read_soon_after_it_is_asked_for(
    jobs: int, page_at: Pages, log_in: Pages, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Else what goes on behind the page that was read last takes the time of the next.
    monkeypatch.setattr(promise_view, "LOOKS", 0)
    shop = make_busy_shop()
    promise_many(shop, jobs, now_to_the_minute())
    asked = job_create(
        shop=shop,
        job_type=JobType.objects.of(shop).get(name="Vehicle graphics"),
        title="Van",
        process=Process.objects.of(shop).get(name="UV"),
        items=[ItemSize(300, 200, 10)],
    )
    owner = User.objects.create_user("owner")
    Membership.objects.create(user=owner, shop=shop, role=Role.OWNER)
    page = log_in(page_at(1440), owner)
    plain = [shown(page, reverse("jobs:job", args=[asked.number])) for _ in range(ROUNDS)]
    dated = []
    for _ in range(ROUNDS):
        monkeypatch.setattr(running_totals, "_kept", OrderedDict())
        dated.append(shown(page, reverse("analytics:promise", args=[asked.number])))
        assert page.locator(".promise-date").is_visible()
    print(
        f"\ndate against {jobs} jobs in the browser: {min(dated):.0f} ms, {min(dated) / min(plain):.1f} × a job's page"
    )
    assert min(dated) < 40 * min(plain)


def shown(page: Page, path: str) -> float:
    """ms from the beginning of a visit until something of the page is painted: it comes in one piece."""
    page.goto(path)
    return float(page.evaluate(PAINTED))
