"""What a date says beside itself: how exact it is, what drives it as a picture, and a quote file's times."""

from datetime import UTC, datetime, timedelta

import pytest
from django.utils import timezone
from quay import enquiry, make_quay

from analytics.engine.simulate import CAUSES
from analytics.models import JobOutlook, Promise
from analytics.pictures.drives import CAUSE_WORDS, ORDER, drive_cuts, drives_picture
from analytics.services.promises import promise_accept
from analytics.services.promising import now_to_the_minute, promise_compute
from analytics.services.quotes import quote_read
from analytics.words.promise import say_error
from jobs.models import Job
from shop.errors import BadInput
from shop.models import Membership, Role, User
from shop.words import say_instant

DRIVES = [("Cut", "closed", 900.0, 7), ("Print", "attended", 60.0, 4), ("Cut", "attended", 480.0, 7)]


def test_every_cause_of_the_simulation_has_its_words_and_its_place():
    assert set(CAUSES) == set(CAUSE_WORDS) == set(ORDER)


def test_the_bar_is_as_long_as_its_cuts_and_goes_by_the_route():
    picture = drives_picture(DRIVES, width=720.0)
    assert [(cut.stage, cut.idle) for cut in picture.cuts] == [
        ("Print", False),
        ("Cut", True),
        ("Cut", False),
    ]
    # 1,440 minutes on 720 px: half a pixel a minute, and a mark each four hours.
    assert [(cut.x, cut.width) for cut in picture.cuts] == [(0.0, 30.0), (30.0, 450.0), (480.0, 240.0)]
    assert picture.marks[:2] == ((120.0, "4 h"), (240.0, "8 h"))
    assert [cut.minutes for cut in drive_cuts(DRIVES)] == [900.0, 480.0, 60.0]


def test_nothing_left_to_do_has_no_picture():
    assert drives_picture([]) is None


@pytest.mark.parametrize(
    ("minutes", "said"),
    [
        (0.4, "hardly"),
        (12.3, "about 12 working minutes"),
        (150.0, "2.5 working hours"),
        (float("inf"), "futures."),
    ],
)
def test_how_exact_a_date_is(minutes, said):
    assert said in say_error(2000, minutes)
    assert "2,000 futures" in say_error(2000, minutes)


@pytest.mark.django_db
def test_a_quote_file_has_the_films_arrival_and_the_customers_times():
    shop = make_quay()
    enquiry(shop)
    asked = {"job_type": "Window graphics", "process": "UV", "film_from": "2026-12-01T09:00"}
    visit = {"from": "2026-12-03T09:00", "to": "2026-12-03T12:00"}
    times = quote_read(shop, {**asked, "visits": [visit]}).facts["times"]
    assert times.film_from == datetime(2026, 12, 1, 9, tzinfo=UTC)
    assert times.visits == [(datetime(2026, 12, 3, 9, tzinfo=UTC), datetime(2026, 12, 3, 12, tzinfo=UTC))]
    for wrong, place in (({"from": "soon", "to": ""}, "visits.0.from"), ({"from": "2026-12-03"}, "visits.0")):
        with pytest.raises(BadInput) as refused:
            quote_read(shop, {**asked, "visits": [wrong]})
        assert refused.value.field == place


@pytest.fixture
def seen(client):
    """Reads the page of a job's date: its words, and what they are made from."""

    def read(job):
        owner = User.objects.create_user("ada")
        Membership.objects.create(user=owner, shop=job.shop, role=Role.PLANNER)
        client.force_login(owner, "django.contrib.auth.backends.ModelBackend")
        return client.get(f"/jobs/{job.number}/promise/")

    return read


@pytest.mark.django_db
def test_a_job_with_a_date_shows_that_date_first_and_its_chance(seen):
    shop = make_quay()
    job = enquiry(shop)
    made = promise_accept(promise_compute(shop, job, now=now_to_the_minute(), runs=200), user=None)
    given = made.promised_at + timedelta(days=60)
    Promise.objects.filter(pk=made.pk).update(promised_at=given)
    Job.objects.filter(pk=job.pk).update(due_at=given)
    JobOutlook.objects.create(
        shop=shop, job=job, worked_out_at=timezone.now(), revision=1, quantiles={}, chance=0.7, runs=100
    )
    page = seen(job)
    said, anew = page.content.decode(), page.context["outlook"].promised_at

    def said_at(instant):
        return say_instant(instant, timezone.now().date())

    assert (
        said.index("Promised for") < said.index(said_at(given)) < said.index("In time about 7 times in ten")
    )
    assert said.index("In time about 7") < said.index("In its place") < said.index(said_at(anew))


@pytest.mark.django_db
def test_the_other_odds_stand_beside_the_date_on_the_same_half_hours(seen):
    page = seen(enquiry(make_quay()))
    (few, early), (most, late) = page.context["levels"]
    assert (few, most) == (0.5, 0.95)
    assert early <= page.context["outlook"].promised_at <= late
    assert {at.minute % 30 for at in (early, late)} == {0}
    assert "Chance that it is ready by the end of the day" in page.content.decode()
