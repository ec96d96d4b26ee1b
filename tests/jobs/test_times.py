"""When film arrives and the customer can be visited: typed in, checked, kept, and said on the page and the ticket."""

import re
from datetime import UTC, datetime

import pytest
from django.http import QueryDict
from django.template.loader import render_to_string

from jobs.drivers import ItemSize
from jobs.forms.enquiry import EnquiryForm
from jobs.models import Job, JobType, VisitWindow
from jobs.services.jobs import job_create, job_update
from jobs.services.times import Times, times_of
from jobs.ticket.contents import ticket_of
from shop.errors import BadInput
from shop.models import Media, Process, Shop
from shop.services import shop_create

pytestmark = pytest.mark.django_db


@pytest.fixture
def shop() -> Shop:
    shop = shop_create(slug="quay", name="Quay Signs", time_zone="Europe/London")
    Media.objects.create(shop=shop, name="White film", width_mm=1370)
    return shop


def typed(shop: Shop, **more: str) -> QueryDict:
    data = QueryDict(mutable=True)
    process = Process.objects.of(shop).get(name="UV")
    data.update(
        {
            "job_type": JobType.objects.of(shop).get(name="Window graphics").pk,
            "title": "Shop window",
            "process": process.pk,
            "finish": process.finishes.get(name="Bare").pk,
            "items-TOTAL_FORMS": "1",
            "items-INITIAL_FORMS": "0",
            "items-0-width_mm": "1200",
            "items-0-height_mm": "600",
            "items-0-count": "1",
            "items-0-ink_build": "colour",
            "visits-TOTAL_FORMS": "2",
            "visits-INITIAL_FORMS": "0",
            **more,
        }
    )
    return data


def visit(index: int, day: str, begins: str, ends: str) -> dict[str, str]:
    return {
        f"visits-{index}-{name}": text
        for name, text in zip(("day", "begins", "ends"), (day, begins, ends), strict=True)
    }


def made(shop: Shop, times: Times | None = None) -> Job:
    return job_create(
        shop=shop,
        job_type=JobType.objects.of(shop).get(name="Window graphics"),
        title="Shop window",
        process=Process.objects.of(shop).get(name="UV"),
        items=[ItemSize(300, 200)],
        times=times,
    )


def test_times_are_typed_on_the_shops_clock_and_a_blank_row_does_not_count(shop):
    facts = {"film_date": "2026-07-01", "film_time": "10:00", **visit(0, "2026-07-03", "09:00", "12:30")}
    form = EnquiryForm(typed(shop, **facts), shop=shop)
    assert form.is_valid(), form.errors
    job = form.save()
    # British Summer Time is an hour before UTC.
    assert job.film_from == datetime(2026, 7, 1, 9, tzinfo=UTC)
    assert list(job.visits.values_list("starts_at", "ends_at")) == [
        (datetime(2026, 7, 3, 8, tzinfo=UTC), datetime(2026, 7, 3, 11, 30, tzinfo=UTC))
    ]
    shown = EnquiryForm(shop=shop, job=job).visits.forms
    assert [str(row["begins"].value()) for row in shown] == ["09:00:00"]


@pytest.mark.parametrize(
    ("row", "field", "said"),
    [
        (("2026-07-03", "12:00", "09:00"), "ends", "ends before it begins"),
        (("2026-07-03", "", "09:00"), "begins", "from when"),
        (("", "08:00", "09:00"), "day", "date"),
        (("2026-03-29", "01:30", "09:00"), "begins", "clocks skip"),
    ],
)
def test_a_time_that_makes_no_sense_is_said_at_its_field_and_nothing_is_written(shop, row, field, said):
    form = EnquiryForm(typed(shop, **visit(0, *row)), shop=shop)
    assert not form.is_valid()
    assert said in " ".join(form.visits.errors[0][field])
    assert not Job.objects.exists()


def test_a_row_more_keeps_what_was_typed(shop, rf):
    request = rf.post(
        "/", {**typed(shop, **visit(0, "2026-07-03", "09:00", "12:00")).dict(), "add_visit": "1"}
    )
    form = EnquiryForm.of_request(request, shop)
    assert len(form.visits.forms) == 3
    assert form.visits.forms[0]["begins"].value() == "09:00"


def test_a_change_without_times_leaves_them_and_one_with_none_clears_them(shop):
    start, end = datetime(2026, 7, 3, 8, tzinfo=UTC), datetime(2026, 7, 3, 11, tzinfo=UTC)
    job = made(shop, Times(start, [(start, end)]))
    job = job_update(job, title="Window", process=job.process)
    assert times_of(job) == Times(start, [(start, end)])
    job = job_update(job, title="Window", process=job.process, times=Times())
    assert (job.film_from, VisitWindow.objects.count()) == (None, 0)


def test_a_time_that_ends_before_it_begins_is_refused_with_its_place(shop):
    start, end = datetime(2026, 7, 3, 8, tzinfo=UTC), datetime(2026, 7, 3, 11, tzinfo=UTC)
    with pytest.raises(BadInput, match="ends before it begins") as refused:
        made(shop, Times(None, [(start, end), (end, start)]))
    assert refused.value.field == "visits.1.to"
    assert not Job.objects.exists()


def test_the_ticket_says_when_to_go_and_when_film_comes(shop):
    start, end = datetime(2026, 7, 3, 8, tzinfo=UTC), datetime(2026, 7, 3, 11, tzinfo=UTC)
    job = made(shop, Times(start, [(start, end)]))
    facts = dict(ticket_of(shop, job.number, "http://quay.example").facts)
    assert facts["At the customer’s"] == "Fri 3 Jul 2026, 09:00 to 12:00"
    assert facts["Film arrives"] == "Fri 3 Jul 2026, 09:00"


def test_what_is_wrong_is_listed_at_the_top_and_each_line_leads_to_its_field(shop):
    wrong = {"job_type": "", "items-0-width_mm": "abc", **visit(1, "2026-07-03", "13:00", "09:00")}
    form = EnquiryForm(typed(shop, **wrong), shop=shop)
    assert not form.is_valid()
    page = render_to_string("jobs/_enquiry_fields.html", {"form": form})
    leads = re.findall(r'<a href="#(\w[\w-]*_error)">', page)
    assert len(leads) == 3
    assert all(f'id="{one}"' in page for one in leads)
    assert "Choose the job type" in page
    assert 'Item 1: <a href="#id_items-0-width_mm_error">' in page
    assert 'Time 2: <a href="#id_visits-1-' in page
