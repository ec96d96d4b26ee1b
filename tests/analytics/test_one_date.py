"""One job, one minute, one date: on its page, further worked out, on all pages of its choices and in the API."""

from __future__ import annotations

import json
from datetime import timedelta
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.test import Client
from django.utils import timezone
from quay import MONDAY, enquiry, make_quay

from analytics.engine.hours import Calendar
from analytics.models import Promise
from analytics.services import running_totals
from analytics.services.choices import moved
from analytics.services.promises import promise_accept
from analytics.services.promising import promise_compute
from analytics.views import promise as promise_view
from jobs.models import Job
from shop.models import Finish, Membership, Role, User

pytestmark = pytest.mark.django_db


@pytest.fixture
def shop():
    return make_quay()


@pytest.fixture
def job(shop):
    """An enquiry behind a promised job."""
    promise_accept(promise_compute(shop, enquiry(shop), now=MONDAY, runs=200), user=None)
    return enquiry(shop, "UV", finish=Finish.objects.of(shop).get(name="Bare"))


@pytest.fixture
def client(shop, monkeypatch):
    """A planner's, in the minute of MONDAY; and no futures are kept from before, nor drawn after the first."""
    monkeypatch.setattr(timezone, "now", lambda: MONDAY + timedelta(seconds=20))
    monkeypatch.setattr(running_totals, "_kept", type(running_totals._kept)())
    user = User.objects.create_user("ada")
    Membership.objects.create(user=user, shop=shop, role=Role.PLANNER)
    client = Client()
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")
    return client


def sharper(client, page, runs):
    """The page's own next look, from so many futures at least."""
    shown = {name: page.context[name] for name in ("made_at", "digest")}
    facts = {**shown, "confidence": "0.8", "runs": runs, "look": 1}
    return client.get(page.request["PATH_INFO"], facts, headers={"X-Part": "sharper"})


def test_every_page_and_the_api_show_the_same_date_of_a_job(client, job):
    path = f"/jobs/{job.number}/promise/"
    first = client.get(path)
    further = sharper(client, first, 3000)
    outlook = further.context["outlook"]
    assert outlook.runs >= 3000 > 1500  # than all that the choices share
    date = outlook.promised_at
    ways = client.get(f"{path}ways/", headers={"X-Part": "ways"}).context["ways"]
    assert ways.options.runs <= 1500
    same = {way.promised_at for way in ways.ways if (way.sooner, way.later) == (0, 0)}
    assert ways.present.promised_at == date
    assert same == {date}
    sooner = client.get(f"{path}sooner/", headers={"X-Part": "sooner_first"}).context["soonest"]
    rush = client.get(f"{path}rush/", headers={"X-Part": "rush"}).context["rush"]
    assert (sooner.present, rush.otherwise, client.get(path).context["outlook"].promised_at) == 3 * (date,)
    assert sooner.promised_at == rush.promised_at
    said = client.get(f"/api/v1/jobs/{job.number}/promise").json()
    assert said["promise"] == {"at": date.strftime("%Y-%m-%dT%H:%M:%SZ"), "confidence": 0.8}
    assert said["runs"] == outlook.runs
    present = next(
        one for one in client.get(f"/api/v1/jobs/{job.number}/ways").json()["ways"] if one["present"]
    )
    assert present["promise_at"] == said["promise"]["at"]


def test_a_date_further_worked_out_is_that_of_as_many_futures_drawn_at_once(client, shop, job):
    first = client.get(f"/jobs/{job.number}/promise/")
    found = sharper(client, first, 2500).context["outlook"]
    at_once = promise_compute(shop, Job.objects.get(pk=job.pk), now=MONDAY, runs=found.runs)
    assert at_once.quantiles == found.quantiles
    assert at_once.error_min == found.error_min


def test_a_further_look_draws_more_though_reading_the_work_takes_all_of_its_time(client, job, monkeypatch):
    monkeypatch.setattr(promise_view, "LOOK", 0.0)
    first = client.get(f"/jobs/{job.number}/promise/")
    runs = first.context["outlook"].runs
    assert sharper(client, first, runs).context["outlook"].runs > runs


@pytest.mark.parametrize("further", [False, True])
def test_what_is_given_is_what_was_shown_though_more_is_known_meanwhile(client, job, further):
    page = client.get(f"/jobs/{job.number}/promise/")
    seen = page.context["outlook"]
    later = sharper(client, page, seen.runs + 2000).context["outlook"]
    assert later.runs > seen.runs
    taken = later if further else seen
    given = {name: page.context[name] for name in ("made_at", "digest")}
    given |= {"confidence": "0.8", "runs": taken.runs, "promised_at": taken.promised_at.isoformat()}
    wrong = {**given, "promised_at": (taken.promised_at + timedelta(minutes=30)).isoformat()}
    client.post(f"/jobs/{job.number}/promise/give/", wrong)
    assert not Promise.objects.filter(job=job).exists()
    client.post(f"/jobs/{job.number}/promise/give/", given)
    made = Promise.objects.get(job=job)
    assert (made.promised_at, made.runs) == (taken.promised_at, taken.runs)


def test_a_page_whose_work_has_moved_is_told_so_and_nothing_is_shown(client, shop, job):
    page = client.get(f"/jobs/{job.number}/promise/")
    assert sharper(client, page, 0).status_code == 409
    promise_accept(promise_compute(shop, enquiry(shop), now=MONDAY, runs=200), user=None)
    assert sharper(client, page, 1000).status_code == 409


def test_few_books_are_kept_and_who_asks_again_draws_nothing(shop, job, monkeypatch, client):
    totals = running_totals._kept
    for confidence in (0.5, 0.6, 0.7, 0.8, 0.85, 0.9, 0.95, 0.99):
        promise_compute(shop, job, now=MONDAY, confidence=confidence, runs=250, kept=True)
    assert len(totals) == running_totals.KEPT
    monkeypatch.setattr(running_totals.RunningTotal, "_block", None)  # to draw one would fail
    assert promise_compute(shop, job, now=MONDAY, confidence=0.99, runs=250, kept=True).runs == 250


def test_a_date_is_moved_in_working_minutes_and_the_end_of_a_hold_by_the_clock():
    days = Calendar.of([0.0, 1440.0], [480.0, 1920.0])
    assert moved(470.0, 100.0, 120.0, days) == 1450.0  # ten minutes to closing, ten after opening
    assert moved(900.0, 100.0, 120.0, days) == 920.0  # while the shop is closed
    assert moved(100.0, 100.0, 1450.0, days) == 1450.0  # the present one itself
    assert moved(300.0, 100.0, 100.0, days) == 300.0


def test_the_api_says_what_it_cannot_read_and_goes_on_where_it_is_asked_to(client, job):
    path = f"/api/v1/jobs/{job.number}/promise"
    wrong = client.get(path, {"within": "soon"})
    assert (wrong.status_code, "within is 'soon'" in wrong.json()["detail"]) == (400, True)
    assert client.get(path, {"within": "400"}).json()["error_min"] <= 400


QUOTE = {
    "job_type": "Labels and decals",
    "process": "UV",
    "finish": "Bare",
    "items": [{"width_mm": 300, "height_mm": 200, "count": 4}],
}


def said_by_the_command(tmp_path, *options):
    file, out = tmp_path / "quote.json", StringIO()
    file.write_text(json.dumps(QUOTE))
    call_command("promise", str(file), *options, stdout=out)
    return out.getvalue()


def test_the_command_sets_the_ways_of_a_quote_side_by_side_and_keeps_nothing(client, tmp_path):
    said = json.loads(said_by_the_command(tmp_path, "--ways", "--json"))
    present = next(way for way in said["ways"] if way["present"])
    assert (present["process"], present["finish"]) == ("UV", "Bare")
    solvent = next(way for way in said["ways"] if (way["process"], way["finish"]) == ("Solvent", "Bare"))
    assert solvent["promise_at"] > present["promise_at"]  # a solvent print lies a day before it is cut
    text = said_by_the_command(tmp_path, "--ways")
    assert "UV, bare (as asked): " in text
    assert "The print must lie 24 hours" in text
    assert "Cut only: not possible. Cut only lays no ink" in text
    assert not Job.objects.exists()


def test_the_command_draws_until_the_date_is_as_exact_as_asked(client, tmp_path):
    rough, fine = (json.loads(said_by_the_command(tmp_path, "--json", "--within", w)) for w in ("200", "12"))
    assert rough["runs"] <= fine["runs"]
    assert fine["error_min"] <= 12
    with pytest.raises(CommandError, match="above 0, as --within 15"):
        said_by_the_command(tmp_path, "--within", "0")
