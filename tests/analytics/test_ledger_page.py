"""The ledger of dates on its page, as a file and as what the next date is set by."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.test import Client
from quay import make_quay
from time_machine import TimeMachineFixture

from analytics.models import Promise
from analytics.selectors.following import finish_places
from analytics.selectors.ledger import accounts, ledger, passed_dates
from analytics.selectors.ledger_quality import standing
from analytics.selectors.promises import promises_kept
from analytics.services.following import follow_set, level_for
from jobs.models import Customer, Job, JobStatus, JobType
from shop.models import Membership, OpeningHours, Role, Shop, User

pytestmark = pytest.mark.django_db
URL = "/promises/"
MONDAY = datetime(2026, 11, 2, 9, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)


@pytest.fixture(autouse=True)
def its_now(time_machine: TimeMachineFixture) -> None:
    """The pages are read three weeks later, whenever the test runs."""
    time_machine.move_to(MONDAY + timedelta(days=24), tick=False)


@pytest.fixture
def shop() -> Shop:
    return make_quay()


def client_of(shop: Shop, role: Role = Role.OWNER) -> Client:
    user = User.objects.create_user(f"{role}-{shop.slug}")
    Membership.objects.create(user=user, shop=shop, role=role)
    client = Client()
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")
    return client


def job_of(shop: Shop, finished: datetime | None, title: str = "Crate labels", **more: Any) -> Job:
    number = Job.objects.of(shop).count() + 1
    status = JobStatus.IN_HAND if finished is None else JobStatus.FINISHED
    facts = {
        "job_type": JobType.objects.of(shop).order_by("pk")[0],
        "status": status,
        "finished_at": finished,
    }
    return Job.objects.create(shop=shop, number=number, title=title, **{**facts, **more})


def date_of(job: Job, made: datetime, due: datetime, *, spread: bool = False, **more: Any) -> Promise:
    """A date at eight in ten; spread: with a forecast whose levels lie an hour apart."""
    hours = {"0.5": -1, "0.8": 0, "0.95": 1} if spread else {}
    facts: dict[str, Any] = {
        "confidence": 0.8,
        "quantiles": {level: (due + hour * HOUR).isoformat() for level, hour in hours.items()},
        "quote": {},
        "seed": 1,
        "runs": 0,
        "model_version": "",
        "backlog_digest": "",
        "snapshot": b"",
    }
    return Promise.objects.create(shop=job.shop, job=job, made_at=made, promised_at=due, **{**facts, **more})


def history(shop: Shop, kept: int, missed: int, *, spread: bool = False) -> None:
    """So many jobs, one a day, mixed, finished half an hour before or after their date."""
    every = kept + missed
    for k in range(every):
        due = MONDAY - timedelta(days=k + 1) + 2 * HOUR
        off = timedelta(minutes=-30 if (k + 1) * kept // every > k * kept // every else 30)
        date_of(job_of(shop, due + off), due - 50 * HOUR, due, spread=spread)


def told(response: Any) -> str:
    return " ".join(response.content.decode().split())


def test_without_a_date_the_page_says_what_to_do_next(shop):
    said = told(client_of(shop).get(URL))
    assert "No date has been given yet" in said
    assert "/enquiry/" in said
    viewer = told(client_of(make_quay("other"), Role.VIEWER).get(URL))
    assert "Enter an enquiry" not in viewer


def test_lateness_is_said_in_elapsed_and_in_opening_hours(shop):
    # Due Friday 16:00, finished on Monday at 10:00: 66 hours, of which the shop was open for 1 + 1.
    due = datetime(2026, 10, 30, 16, 0, tzinfo=UTC)
    date_of(job_of(shop, MONDAY + HOUR), due - 24 * HOUR, due)
    (entry,) = ledger(shop, MONDAY + 8 * HOUR)
    assert (entry.late_min, entry.late_open) == (66 * 60, 120)
    assert (entry.lead_min, entry.lead_open) == (24 * 60, 480)
    said = told(client_of(shop).get(URL))
    assert "Late by 2 d 18 h" in said
    assert "2 h 00 min of opening hours" in said


def test_a_shop_without_opening_hours_has_a_ledger_too(shop):
    OpeningHours.objects.of(shop).delete()
    date_of(job_of(shop, MONDAY), MONDAY - 24 * HOUR, MONDAY - HOUR)
    (entry,) = ledger(shop, MONDAY + HOUR)
    assert (entry.late_min, entry.late_open, entry.off) == (60, None, 60)
    assert client_of(shop).get(URL).status_code == 200


def test_a_changed_date_keeps_its_history_and_is_judged_at_both(shop):
    job = job_of(shop, MONDAY)
    first = date_of(job, MONDAY - 72 * HOUR, MONDAY - 24 * HOUR)
    date_of(job, MONDAY - 48 * HOUR, MONDAY + HOUR, replaces=first, why_changed="shop")
    (account,) = accounts(ledger(shop, MONDAY + 4 * HOUR))
    assert account.head.outcome == "kept"
    assert [one.promise for one in account.history] == [first]
    assert account.broken_as_first
    found = standing(shop, ledger(shop, MONDAY + 4 * HOUR), MONDAY + 4 * HOUR).every
    assert found is not None
    assert (found.first.hits, found.first.n) == (0, 1)
    assert (found.agreed_kept, found.agreed) == (1, 1)
    assert promises_kept(shop) == (0, 1)
    said = told(client_of(shop).get(URL))
    assert "1 date before it" in said
    assert "Moved: we could not keep it" in said
    assert "Not kept as first given" in said


def test_filters_find_by_outcome_month_type_and_words(shop):
    mira = Customer.objects.create(shop=shop, name="Mira's Bakery")
    other = JobType.objects.of(shop).order_by("pk")[1]
    date_of(
        job_of(shop, MONDAY - 3 * HOUR, "Door sign", customer=mira), MONDAY - 90 * HOUR, MONDAY - 2 * HOUR
    )
    date_of(job_of(shop, MONDAY, "Van sides", job_type=other), MONDAY - 900 * HOUR, MONDAY - 400 * HOUR)
    date_of(job_of(shop, None, "Wall"), MONDAY, datetime(2027, 1, 4, 12, tzinfo=UTC))
    client = client_of(shop)

    def found(**asked: object) -> list[str]:
        rows = client.get(URL, asked).context["rows"]
        return [row["head"].job.title for row in rows]

    assert found() == ["Wall", "Door sign", "Van sides"]
    assert found(outcome="broken") == ["Van sides"]
    assert found(outcome="kept") == ["Door sign"]
    assert found(outcome="changed") == []
    assert found(month="2026-10") == ["Van sides"]
    assert found(type=other.pk) == ["Van sides"]
    assert found(text="bakery DOOR") == ["Door sign"]
    assert found(text="2") == ["Van sides"]
    assert len(found(outcome="nonsense", month="x", type="y")) == 3
    assert "No date is like that" in told(client.get(URL, {"text": "zzz"}))


def test_the_list_is_paged_and_the_file_holds_every_date(shop):
    history(shop, 20, 8)
    job = Job.objects.of(shop).get(number=3)
    job.title = "=1+1"
    job.save()
    client = client_of(shop, Role.VIEWER)
    assert len(client.get(URL).context["rows"]) == 25
    assert len(client.get(URL, {"page": 2}).context["rows"]) == 3
    rows = list(csv.DictReader(io.StringIO(client.get(f"{URL}promises.csv").content.decode())))
    assert len(rows) == 28
    assert [row["outcome"] for row in rows].count("broken") == 8
    third = next(row for row in rows if row["job"] == "3")
    assert third["title"] == "'=1+1"
    assert (third["late_elapsed_min"], third["stated"], third["kept_as_first_given"]) == ("-30.0", "0.8", "1")
    asked = client.get(f"{URL}promises.csv", {"outcome": "broken"}).content.decode()
    assert len(asked.splitlines()) == 9


def test_no_row_of_another_shop_is_seen_or_counted(shop):
    other = make_quay("other")
    history(other, 3, 1)
    assert ledger(shop, MONDAY) == []
    assert promises_kept(shop) == (0, 0)
    assert "No date has been given yet" in told(client_of(shop).get(URL))


def test_the_level_follows_only_where_the_owner_wants_and_enough_is_known(shop):
    history(shop, 9, 10)
    follow_set(shop, True)
    assert level_for(shop, 0.8, MONDAY) == 0.8  # nineteen are too few
    date_of(job_of(shop, MONDAY - HOUR), MONDAY - 90 * HOUR, MONDAY - 2 * HOUR)
    moved = level_for(shop, 0.8, MONDAY)
    assert moved > 0.85
    # As it was known then: a day before the last date had passed.
    assert level_for(shop, 0.8, MONDAY - 24 * HOUR) == 0.8
    follow_set(shop, False)
    assert level_for(shop, 0.8, MONDAY) == 0.8
    assert not Shop.objects.get(pk=shop.pk).confidence_follows


def test_places_come_from_the_kept_forecast_or_from_the_date_alone(shop):
    due = MONDAY - 20 * HOUR
    date_of(job_of(shop, due - 2 * HOUR), due - 60 * HOUR, due, spread=True)
    date_of(job_of(shop, due + HOUR / 2), due - 60 * HOUR, due + HOUR / 60, spread=True)
    date_of(job_of(shop, due + 9 * HOUR), due - 60 * HOUR, due + 2 * HOUR / 60)
    date_of(job_of(shop, None), due - 60 * HOUR, due + 3 * HOUR / 60, level=0.9)
    assert finish_places(shop, MONDAY) == [(0.0, 0.5), (0.8, 0.95), (0.8, 1.0), (0.9, 1.0)]


def test_the_page_says_where_dates_are_set_and_only_the_owner_may_switch(shop):
    history(shop, 14, 16, spread=True)
    owner = client_of(shop)
    said = told(owner.get(URL))
    assert "Dates would be set at" in said
    assert "so that eight in ten hold" in said
    assert "Fewer than said." in said
    assert "Where in their forecasts jobs finished" in said
    assert owner.post(f"{URL}follow/", {"follow": "on"}).status_code == 302
    assert Shop.objects.get(pk=shop.pk).confidence_follows
    assert "Dates are set at" in told(owner.get(URL))
    assert owner.post(f"{URL}follow/", {"follow": "perhaps"}).status_code == 400
    planner = client_of(shop, Role.PLANNER)
    assert planner.post(f"{URL}follow/", {"follow": "off"}).status_code == 403
    assert "Let dates follow" not in told(planner.get(URL))
    assert Shop.objects.get(pk=shop.pk).confidence_follows


def test_the_figures_are_two_sided(shop):
    """Kept with a week to spare is not good either: lead and earliness are said beside the share."""
    for k in range(6):
        due = MONDAY - k * timedelta(days=7)
        date_of(job_of(shop, due - timedelta(days=7)), due - timedelta(days=14), due)
    found = standing(shop, ledger(shop, MONDAY + HOUR), MONDAY + HOUR)
    assert (found.lead, found.lead_open) == (14 * 1440, 10 * 480)
    assert (found.early, found.late, found.day_early) == (5 * 480, None, 6)
    assert "6 by a working day or more" in told(client_of(shop).get(URL))


def test_what_dates_are_set_by_is_judged_as_on_the_page(shop):
    history(shop, 5, 3, spread=True)
    job = job_of(shop, MONDAY - 30 * HOUR)
    first = date_of(job, MONDAY - 90 * HOUR, MONDAY - 40 * HOUR, level=0.85)
    date_of(job, MONDAY - 60 * HOUR, MONDAY - 20 * HOUR, replaces=first, why_changed="shop")
    date_of(job_of(shop, None), MONDAY - 60 * HOUR, MONDAY + 20 * HOUR)
    page = [one for one in ledger(shop, MONDAY) if one.judged.first is not None]
    brief = passed_dates(Promise.objects.of(shop), MONDAY)
    assert len(page) == 9
    assert {(one.promise.pk, one.judged.first, one.finished) for one in page} == {
        (one.key, one.kept, one.finished) for one in brief
    }
    assert next(one.level for one in brief if one.key == first.pk) == 0.85


def test_a_page_costs_no_query_for_each_date(shop, django_assert_max_num_queries):
    history(shop, 30, 10)
    client = client_of(shop)
    with django_assert_max_num_queries(20):
        client.get(URL)
