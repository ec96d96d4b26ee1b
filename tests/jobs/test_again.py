"""Work done again: what counts, its minutes and film, the list, and recording one afterwards."""

import csv
import io
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from uuid import UUID, uuid4

import pytest
from django.test import Client
from django.urls import reverse
from time_machine import TimeMachineFixture

from jobs.drivers import ItemSize
from jobs.forms.again import AgainForm, period_of
from jobs.models import Cause, ClockEvent, Interval, Job, JobStatus, JobType, StageState, TapKind
from jobs.selectors.again import remakes, total, totals_by_cause
from jobs.services.jobs import job_create
from jobs.services.taps import Tap, record_taps
from shop.models import Media, Membership, Person, Role, Shop, User
from shop.services import shop_create

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 11, 25, 15, 0, tzinfo=UTC)


@pytest.fixture(autouse=True)
def its_now(time_machine: TimeMachineFixture) -> None:
    """The pages take NOW for the present."""
    time_machine.move_to(NOW, tick=False)


@pytest.fixture
def shop() -> Shop:
    shop = shop_create(slug="quay", name="Quay Signs", time_zone="Europe/London", currency="GBP")
    Person.objects.create(shop=shop, name="Ada")
    Media.objects.create(shop=shop, name="White cast", width_mm=1370, price_per_m2="10.00")
    return shop


@pytest.fixture
def job(shop: Shop) -> Job:
    return job_create(
        shop=shop,
        job_type=JobType.objects.of(shop).get(name="Lettering"),
        title="Door",
        media=Media.objects.get(),
        items=[ItemSize(400, 300, 4)],
        status=JobStatus.PROMISED,
    )


def client_of(shop: Shop, role: Role) -> Client:
    user = User.objects.create_user(f"{role.value}-{shop.slug}")
    Membership.objects.create(user=user, shop=shop, role=role)
    client = Client()
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")
    return client


def stage(job: Job, kind: str):
    return job.stages.get(kind__key=kind)


def press(job: Job, kind: str, name: str, minutes_ago: float, **more) -> UUID:
    at, key = NOW - timedelta(minutes=minutes_ago), uuid4()
    to = more.pop("to", None)
    tap = Tap(key, kind, stage(job, name).pk, at, to_stage=stage(job, to).pk if to else None, **more)
    outcome = record_taps(shop=job.shop, user=None, taps=[tap], sent_at=NOW, received_at=NOW)
    assert outcome.results[0].status == "stored", outcome.results[0].problem
    return key


def cause(job: Job, key: str) -> int:
    return Cause.objects.of(job.shop).get(key=key).pk


def cut_weed_and_cut_again(job: Job) -> UUID:
    """Cut for 20 min, weed for 10; torn: cut again for 15, the rest weeded in 25 of which all are again."""
    ada = Person.objects.of(job.shop).get().pk
    press(job, TapKind.START, "cut", 120, person=ada)
    press(job, TapKind.NEXT, "cut", 100, to="weed", person=ada)
    torn = cause(job, "lifted")
    what = {"person": ada, "cause": torn, "scrapped": 3, "wasted_m": 2.0, "note": "Too dry"}
    key = press(job, TapKind.AGAIN, "weed", 90, to="cut", **what)
    press(job, TapKind.START, "cut", 89, person=ada)
    press(job, TapKind.NEXT, "cut", 74, to="weed", person=ada)
    press(job, TapKind.FINISH, "weed", 49, person=ada)
    return key


def test_a_remake_has_its_film_its_cost_and_the_minutes_of_doing_it_again(shop, job):
    cut_weed_and_cut_again(job)
    (one,) = remakes(shop, NOW)
    assert (one.noticed.name, one.back_to.name, one.cause.key) == ("Weed", "Cut", "lifted")
    assert (one.scrapped, one.wasted_m, one.note, one.person) == (3, 2.0, "Too dry", "Ada")
    assert one.wasted_m2 == pytest.approx(2.0 * 1.37)
    assert one.film_cost == pytest.approx(Decimal("27.40"))
    # From the press on: a minute of weeding, 15 of cutting, 25 of weeding.
    assert one.hands_min == pytest.approx(1 + 15 + 25)
    again = Interval.objects.of(shop).filter(again=True, kind="hands_on")
    assert one.hands_min * 60 == pytest.approx(sum((i.ends_at - i.starts_at).total_seconds() for i in again))


def test_without_a_film_the_area_and_the_cost_are_not_known(shop, job):
    Job.objects.update(media=None)
    cut_weed_and_cut_again(job)
    (one,) = remakes(shop, NOW)
    assert (one.wasted_m, one.wasted_m2, one.film_cost) == (2.0, None, None)


def test_one_that_was_taken_back_does_not_count_until_that_is_taken_back(shop, job):
    key = cut_weed_and_cut_again(job)
    void = press(job, TapKind.VOID, "weed", 1, corrects=key)
    assert remakes(shop, NOW) == []
    press(job, TapKind.VOID, "weed", 0.5, corrects=void)
    assert [one.id for one in remakes(shop, NOW)] == [key]


def test_minutes_go_to_the_last_remake_before_them_and_none_are_counted_twice(shop, job):
    first = cut_weed_and_cut_again(job)
    second = press(job, TapKind.AGAIN, "weed", 40, cause=cause(job, "cut-wrong"))
    press(job, TapKind.START, "weed", 30, person=Person.objects.of(shop).get().pk)
    press(job, TapKind.FINISH, "weed", 18, person=Person.objects.of(shop).get().pk)
    minutes = {one.id: one.hands_min for one in remakes(shop, NOW)}
    assert minutes == {first: pytest.approx(41), second: pytest.approx(12)}
    sums = totals_by_cause(remakes(shop, NOW))
    assert [(t.cause.key, t.times, round(t.minutes)) for t in sums] == [
        ("lifted", 1, 41),
        ("cut-wrong", 1, 12),
    ]
    whole = total(remakes(shop, NOW))
    assert (whole.times, whole.scrapped, whole.wasted_m, round(whole.minutes)) == (2, 3, 2.0, 53)


def test_a_remake_that_runs_counts_up_to_now(shop, job):
    press(job, TapKind.START, "cut", 60, person=Person.objects.of(shop).get().pk)
    press(job, TapKind.AGAIN, "cut", 20, cause=cause(job, "cut-wrong"))
    (one,) = remakes(shop, NOW)
    assert one.hands_min == pytest.approx(20)


def test_a_period_holds_what_was_noticed_in_it(shop, job):
    cut_weed_and_cut_again(job)
    noticed = NOW - timedelta(minutes=90)
    assert len(remakes(shop, NOW, since=noticed)) == 1
    assert remakes(shop, NOW, since=noticed + timedelta(seconds=1)) == []
    assert remakes(shop, NOW, until=noticed) == []


def test_days_are_the_shops_own(shop):
    period, _, preset = period_of({"first": "2026-06-01", "last": "2026-06-01"}, date(2026, 11, 25))
    since, until = period.instants(shop)
    assert preset == ""
    assert since == datetime(2026, 5, 31, 23, tzinfo=UTC)  # British summer time
    assert until == datetime(2026, 6, 1, 23, tzinfo=UTC)
    lately, _, preset = period_of({"days": "nonsense"}, date(2026, 11, 25))
    assert (preset, lately.first) == ("90", date(2026, 8, 28))


def test_another_shop_sees_none_of_it(shop, job):
    cut_weed_and_cut_again(job)
    assert remakes(shop_create(slug="hill", name="Hill"), NOW) == []


def test_the_page_the_file_and_the_jobs_own_page_say_it(shop, job):
    cut_weed_and_cut_again(job)
    client = client_of(shop, Role.VIEWER)
    page = client.get(reverse("jobs:again")).content.decode()
    assert "Cut to Weed" in page
    assert "£27.40" in page
    assert "Record one afterwards" not in page  # a viewer records nothing
    rows = list(csv.DictReader(io.StringIO(client.get(reverse("jobs:again-csv")).content.decode())))
    assert [(r["job"], r["cause"], r["film_wasted_m2"], r["hands_on_min"]) for r in rows] == [
        (str(job.number), "Lifted or torn when weeding", "2.74", "41.0")
    ]
    own = client.get(reverse("jobs:job", args=[job.number])).content.decode()
    assert "Cut to Weed" in own[own.index('id="again"') :]
    assert "Nothing was done again" in client.get(reverse("jobs:again") + "?last=2020-01-01").content.decode()
    wrong = client.get(reverse("jobs:again") + "?first=2026-02-01&last=2026-01-01")
    assert wrong.status_code == 422
    assert "This is before Sunday 1 February" in wrong.content.decode()


def typed(job: Job, **more) -> dict:
    local = job.shop.local(NOW - timedelta(minutes=95))
    return {
        "id": str(uuid4()),
        "stage": stage(job, "weed").pk,
        "to_stage": "",
        "cause": cause(job, "measured-wrong"),
        "at": local.strftime("%Y-%m-%dT%H:%M"),
        "scrapped": "2",
        "wasted_m": "1,5",
        **more,
    }


@pytest.fixture
def weeded(job: Job) -> Job:
    press(job, TapKind.START, "cut", 120)
    press(job, TapKind.NEXT, "cut", 100, to="weed")
    press(job, TapKind.FINISH, "weed", 60)
    return job


def test_one_is_recorded_afterwards_and_once(shop, weeded):
    client, url = client_of(shop, Role.MAKER), reverse("jobs:again-record", args=[weeded.number])
    sent = typed(weeded)
    assert client.post(url, sent).status_code == 302
    assert client.post(url, sent).status_code == 302
    event = ClockEvent.objects.get(kind=TapKind.AGAIN)
    assert (event.scrapped, event.wasted_m, event.cause.key) == (2, 1.5, "measured-wrong")
    assert event.recorded_by.username == "maker-quay"
    (one,) = remakes(shop, NOW)
    assert one.minutes == pytest.approx(35)  # what was clocked after it, up to the finish
    assert stage(weeded, "weed").state == StageState.FINISHED


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"at": "2999-01-01T10:00"}, "still to come"),
        ({"at": "2020-01-01T10:00"}, "366 days ago"),
        ({"at": "2026-03-29T01:30"}, "not on the clock that day"),
        ({"at": "0026-03-02T10:00"}, "0026 cannot be the year"),
        ({"at": ""}, "This field is required"),
        ({"cause": ""}, "This field is required"),
        ({"wasted_m": "much"}, "is not a length"),
        ({"scrapped": "-1"}, "greater than or equal to 0"),
    ],
)
def test_one_that_makes_no_sense_is_refused_in_words(shop, weeded, more, said):
    client = client_of(shop, Role.MAKER)
    answer = client.post(reverse("jobs:again-record", args=[weeded.number]), typed(weeded, **more))
    assert answer.status_code == 422
    assert said in answer.content.decode()
    assert not ClockEvent.objects.filter(kind=TapKind.AGAIN).exists()


def test_the_hour_that_is_repeated_is_read_as_the_nearer_one(shop, weeded):
    now = datetime(2026, 10, 25, 1, 40, tzinfo=UTC)  # 01:40 by the shop's clock, the second time
    form = AgainForm(typed(weeded, at="2026-10-25T01:30"), job=weeded, now=now)
    form.full_clean()
    assert form.cleaned_data["at"] == datetime(2026, 10, 25, 1, 30, tzinfo=UTC)


def test_it_goes_back_along_the_route_only(shop, weeded):
    client = client_of(shop, Role.MAKER)
    sent = typed(weeded, stage=stage(weeded, "cut").pk, to_stage=stage(weeded, "weed").pk)
    answer = client.post(reverse("jobs:again-record", args=[weeded.number]), sent)
    assert answer.status_code == 422
    assert "Weed does not lead to Cut" in answer.content.decode()


def test_a_job_is_found_by_its_number_or_said_to_be_none(shop, job):
    client = client_of(shop, Role.MAKER)
    found = client.get(reverse("jobs:again-job"), {"number": f" {job.number} "}, follow=True)
    assert "Nothing of this job has been begun" in found.content.decode()
    missing = client.get(reverse("jobs:again-job"), {"number": "99999"}, follow=True)
    assert "There is no job 99999." in missing.content.decode()
    odd = client.get(reverse("jobs:again-job"), {"number": "1&first=x"}, follow=True)
    assert odd.status_code == 200
    assert "There is no job 1&amp;first=x." in odd.content.decode()


def test_nothing_is_recorded_on_a_cancelled_job(shop, weeded):
    Job.objects.filter(pk=weeded.pk).update(status=JobStatus.CANCELLED)
    client = client_of(shop, Role.MAKER)
    answer = client.post(reverse("jobs:again-record", args=[weeded.number]), typed(weeded), follow=True)
    assert "Reopen it, then record" in answer.content.decode()
    assert not ClockEvent.objects.filter(kind=TapKind.AGAIN).exists()
