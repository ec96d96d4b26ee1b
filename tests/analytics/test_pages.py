"""The pages of enquiries, dates, times and durations, as a browser without a script sees them."""

import uuid
from datetime import UTC, datetime, timedelta

import pytest
from django.urls import reverse
from quay import enquiry, make_quay

from analytics.models import Promise, Sample
from analytics.pictures.finish import finish_picture
from analytics.selectors.durations import Period, kind_spreads
from analytics.selectors.job_time import job_time
from analytics.services.learning import learn_shop
from jobs.drivers import ItemSize
from jobs.models import Cause, ClockEvent, Job, JobStatus, JobType
from jobs.services.clock import fold_shop
from jobs.services.jobs import items_replace
from shop.models import Media, Membership, OpeningHours, Person, Process, Role, User

pytestmark = pytest.mark.django_db

DAY = datetime(2026, 11, 2, 9, 0, tzinfo=UTC)  # a Monday


@pytest.fixture
def shop():
    return make_quay()


@pytest.fixture
def browse(client, shop):
    """A client logged in with a role in the shop."""

    def browse(role=Role.OWNER, at=shop):
        user = User.objects.create_user(f"{role}-{at.slug}", password="a long enough word")
        Membership.objects.create(user=user, shop=at, role=role)
        client.force_login(user, "django.contrib.auth.backends.ModelBackend")
        return client

    return browse


def clocked(shop, started=DAY):
    """A job whose every stage was clocked for half an hour, one behind the other, weeding with a ten-minute pause."""
    job = enquiry(shop)
    person, at = Person.objects.of(shop).first(), started
    for stage in job.stages.all():
        if stage.left_out:
            continue
        tap(shop, stage, "start", at, person)
        if stage.kind.key == "weed":
            tap(shop, stage, "pause", at + timedelta(minutes=5), person, cause=Cause.objects.of(shop).first())
            tap(shop, stage, "resume", at + timedelta(minutes=15), person)
        at += timedelta(minutes=30)
        tap(shop, stage, "finish", at, person)
        at += timedelta(minutes=6)
    fold_shop(shop, announce=False)
    learn_shop(shop)
    return Job.objects.get(pk=job.pk)


def tap(shop, stage, kind, at, person, **more):
    ClockEvent.objects.create(
        id=uuid.uuid4(),
        shop=shop,
        stage=stage,
        kind=kind,
        at=at,
        device_at=at,
        received_at=at,
        person=person,
        **more,
    )


def form(shop, **more):
    facts = {
        "job_type": JobType.objects.of(shop).get(name="Labels and decals").pk,
        "title": "Crate labels",
        "customer": "Lighthouse Larder",
        "process": Process.objects.of(shop).get(name="Cut only").pk,
        "items-TOTAL_FORMS": 1,
        "items-INITIAL_FORMS": 0,
        "items-0-width_mm": "300",
        "items-0-height_mm": "200",
        "items-0-count": "10",
        "items-0-ink_build": "none",
    }
    return {**facts, **more}


def test_an_enquiry_becomes_a_date_and_the_date_a_promise(shop, browse):
    client = browse()
    answer = client.post(reverse("analytics:enquiry"), form(shop), follow=True)
    job = Job.objects.get()
    assert answer.redirect_chain[-1][0] == reverse("analytics:promise", args=[job.number])
    assert b"eight times in ten" in answer.content
    outlook = answer.context["outlook"]
    given = shown(answer)
    client.post(reverse("analytics:promise-give", args=[job.number]), given)
    job.refresh_from_db()
    assert (job.status, job.due_at) == (JobStatus.PROMISED, outlook.promised_at)
    assert Promise.objects.get().backlog_digest == given["digest"]


def shown(answer, **more):
    """What the form of a shown date sends."""
    facts = {name: answer.context[name] for name in ("made_at", "digest")}
    return {**facts, "confidence": "0.8", "runs": answer.context["outlook"].runs, **more}


def test_another_date_says_why_and_leaves_the_first_on_record(shop, browse):
    client = browse()
    job = enquiry(shop)
    address, give = (reverse(f"analytics:{name}", args=[job.number]) for name in ("promise", "promise-give"))
    client.post(give, shown(client.get(address)))
    unsaid = client.post(give, shown(client.get(address)), follow=True)
    assert b"Say why it changes" in unsaid.content
    client.post(give, shown(client.get(address), why_changed="customer"))
    second, first = Promise.objects.order_by("-pk")
    assert (second.replaces, second.why_changed, first.withdrawn_at) == (first, "customer", None)
    client.post(reverse("analytics:promise-undo", args=[job.number, second.pk]))
    second.refresh_from_db()
    job.refresh_from_db()
    assert second.withdrawn_at is not None
    assert (job.status, job.due_at) == (JobStatus.PROMISED, first.promised_at)
    page = client.get(address).content.decode()
    assert "taken back" in page
    assert "stands" in page


def test_a_date_is_not_given_once_the_work_has_moved(shop, browse):
    client = browse()
    job = enquiry(shop)
    page = client.get(reverse("analytics:promise", args=[job.number]))
    Person.objects.create(shop=shop, name="Odo")
    given = shown(page)
    answer = client.post(reverse("analytics:promise-give", args=[job.number]), given, follow=True)
    assert b"The work has moved since" in answer.content
    assert not Promise.objects.exists()


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"items-0-width_mm": "-3"}, b"-3"),
        ({"items-0-width_mm": "3000", "items-0-height_mm": "2000"}, b"widest"),
        ({"items-0-count": "0"}, b"count"),
        ({"title": ""}, b"Give the job a title"),
        ({"job_type": ""}, b"required"),
    ],
)
def test_a_wrong_enquiry_is_told_so_at_the_field_and_nothing_is_kept(shop, browse, wrong, said):
    Media.objects.create(shop=shop, name="Matt film", width_mm=1370)
    answer = browse().post(reverse("analytics:enquiry"), form(shop, **wrong))
    assert answer.status_code == 422
    assert said.lower() in answer.content.lower()
    assert not Job.objects.exists()


def test_a_shop_that_never_opens_is_told_so_on_the_page(shop, browse):
    OpeningHours.objects.all().delete()
    answer = browse().get(reverse("analytics:promise", args=[enquiry(shop).number]))
    assert answer.status_code == 422
    assert b"Give the shop opening hours" in answer.content


def test_twenty_dots_say_the_odds(shop):
    curve = [DAY + timedelta(minutes=i) for i in range(199)]
    picture = finish_picture(curve, curve[159], shop.zone)
    assert (len(picture.dots), picture.in_time) == (20, 16)
    assert all(0 <= dot.x <= picture.width and 0 < dot.y < picture.base for dot in picture.dots)
    assert all((dot.x < picture.promise_x) == dot.in_time for dot in picture.dots)


def test_the_table_of_a_jobs_time_adds_up_to_what_elapsed(shop, browse):
    job = clocked(shop)
    found = job_time(job, DAY + timedelta(days=1))
    stages = len(found.rows)
    assert found.table.elapsed == stages * 30 + (stages - 1) * 6
    assert sum(found.totals) == found.table.elapsed
    assert sum(row.total for row in found.rows) + found.table.by_use["queue"] == found.table.elapsed
    assert found.table.by_use["interruption"] == 10
    answer = browse(Role.VIEWER).get(reverse("analytics:job-time", args=[job.number]))
    assert b"It adds up to" in answer.content
    lines = (
        browse(Role.MAKER).get(reverse("analytics:job-time-csv", args=[job.number])).content.decode().split()
    )
    assert lines[-1].startswith("elapsed")
    assert lines[-1].endswith(f"{found.table.elapsed:.2f}")


def test_a_job_without_a_tap_says_what_to_do(shop, browse):
    answer = browse().get(reverse("analytics:job-time", args=[enquiry(shop).number]))
    assert b"Nothing has been clocked" in answer.content


def test_the_bars_are_made_of_the_samples_of_their_period(shop, browse):
    clocked(shop)
    clocked(shop, DAY + timedelta(days=7))
    everything = kind_spreads(shop, Period())
    assert sum(one.n for one in everything) == Sample.objects.filter(used=True).count()
    first_week = kind_spreads(shop, Period(DAY.date(), DAY.date() + timedelta(days=6)))
    assert {group.n for one in first_week for group in one.groups} == {1}
    weed = next(one for one in everything if one.kind.key == "weed")
    assert weed.groups[0].p50 == pytest.approx(20, rel=0.03)  # half an hour less the pause
    page = browse(Role.VIEWER).get(weed.groups[0].url)
    assert page.content.count(b"Crate labels") == 2


def test_the_chart_leads_to_the_jobs_and_asks_nothing_of_other_hosts(shop, browse):
    clocked(shop)
    page = browse().get(reverse("analytics:dashboard") + "?days=all")
    figure = page.context["figure"]
    assert {trace["type"] for trace in figure["data"]} == {"bar", "scatter"}
    assert all(url.startswith("/durations/jobs/?") for trace in figure["data"] for url in trace["customdata"])
    assert "http" not in str(figure)


def test_durations_of_an_empty_shop_say_what_to_do(browse):
    assert b"Clock a job" in browse().get(reverse("analytics:dashboard") + "?days=all").content


def test_the_defaults_page_names_a_source_for_each(browse):
    page = browse(Role.VIEWER).get(reverse("analytics:defaults"))
    assert len(page.context["rows"]) >= 15
    assert page.content.count(b"common practice, no source") >= 10
    said = page.content.decode()
    assert "area 2 m², cut path 10 m, pieces 4" in said
    assert "each panel 3 × panels" in said
    assert "area_m2" not in said


@pytest.mark.parametrize("name", ["analytics:promise", "analytics:job-time", "analytics:job-time-csv"])
def test_another_shops_job_is_not_found(browse, name):
    other = make_quay("other")
    assert browse().get(reverse(name, args=[enquiry(other).number])).status_code == 404


def test_a_viewer_may_look_but_not_promise(shop, browse):
    client, job = browse(Role.VIEWER), enquiry(shop)
    assert client.get(reverse("analytics:promise", args=[job.number])).status_code == 200
    assert client.post(reverse("analytics:promise-give", args=[job.number])).status_code == 403
    assert client.get(reverse("analytics:enquiry")).status_code == 403


def test_a_size_put_right_after_the_work_is_learned_again(shop, django_capture_on_commit_callbacks):
    job = clocked(shop)
    with django_capture_on_commit_callbacks(execute=True):
        items_replace(job, [ItemSize(600, 400, 10)])
    areas = [sample.drivers["area_m2"] for sample in Sample.objects.filter(stage__job=job)]
    assert areas == pytest.approx([2.4] * len(areas))
    assert areas
