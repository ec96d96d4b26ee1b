"""Putting a job first: its date, the harm to the others, taking it, and undoing it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from django.test import Client
from quay import enquiry, make_quay

from analytics.engine.book import from_bytes
from analytics.models import Promise, WhyChanged
from analytics.services.choices import jobs_to_ask, options_of
from analytics.services.choices_rush import rush_of, rush_take
from analytics.services.promises import promise_accept, promise_take_back
from analytics.services.promising import now_to_the_minute, promise_compute
from jobs.models import Job, JobStatus, Stage
from shop.errors import ShopError
from shop.models import Membership, Role, User

pytestmark = pytest.mark.django_db

MONDAY = datetime(2026, 11, 30, 9, 0, tzinfo=UTC)


@pytest.fixture
def shop():
    return make_quay()


def fetched(shop, job):
    return jobs_to_ask(shop).get(pk=job.pk)


def rush(shop, job, now=MONDAY):
    return rush_of(options_of(shop, fetched(shop, job), now=now))


def promised(shop, now=MONDAY, **facts):
    job = enquiry(shop, **facts)
    promise_accept(promise_compute(shop, job, now=now, runs=200), user=None)
    return Job.objects.get(pk=job.pk)


def test_it_is_sooner_and_the_promised_jobs_pay_for_it(shop):
    others = [promised(shop) for _ in range(3)]
    found = rush(shop, enquiry(shop))
    assert found.promised_at < found.otherwise
    assert found.dated == 3
    assert {one.number for one in found.touched} <= {one.number for one in others}
    changes = [one.after - one.before for one in found.touched]
    assert changes == sorted(changes)
    assert changes[0] < -0.1
    assert all(one.later > 0 for one in found.touched)
    assert found.broken_after - found.broken_before == pytest.approx(-sum(changes), abs=0.02)


def test_who_is_later_and_still_in_time_is_not_harmed(shop):
    other = promised(shop)
    Job.objects.filter(pk=other.pk).update(due_at=MONDAY + timedelta(days=90))
    found = rush(shop, enquiry(shop))
    assert (found.touched, found.dated, found.others) == ((), 1, 1)


def test_with_nothing_else_promised_it_costs_nobody_anything(shop):
    found = rush(shop, enquiry(shop))
    assert (found.touched, found.dated, found.broken_after) == ((), 0, 0)
    assert found.promised_at == found.otherwise


def test_the_one_who_is_put_first_delays_the_other_by_his_own_minutes(shop):
    # One person, artwork alone left in both: the dated one is later by the very minutes of the rush.
    other, job = promised(shop), enquiry(shop)
    Stage.objects.filter(job__in=(other, job)).exclude(kind__key="artwork").update(left_out=True)
    options = options_of(shop, fetched(shop, job), now=MONDAY)
    [one] = rush_of(options).touched
    operation = next(o for o in options.book.plan.operations if o.job == options.book.target)
    alone = options.common.minutes[:, operation.attended]
    # Minutes of work: closed hours between them come on top.
    assert one.later >= alone.mean() - 1


def test_taking_it_promises_that_date_puts_it_first_and_keeps_what_it_was_made_from(shop):
    now = now_to_the_minute()
    for _ in range(2):
        promised(shop, now=now)
    job = enquiry(shop)
    found = rush(shop, job, now)
    made = rush_take(
        shop, fetched(shop, job), made_at=found.made_at, digest=found.digest, runs=str(found.runs), user=None
    )
    job = Job.objects.get(pk=job.pk)
    assert made.put_first
    assert (job.status, job.due_at) == (JobStatus.PROMISED, made.promised_at)
    assert job.turn_at is not None
    assert job.turn_at <= now
    assert made.promised_at == found.promised_at
    assert from_bytes(bytes(made.snapshot)).digest == found.digest == made.backlog_digest
    # From now on it keeps that place: asked again, it is still first.
    again = rush(shop, job, now)
    assert again.gain_min < 31


def test_taking_it_back_gives_up_the_place_too(shop):
    now = now_to_the_minute()
    promised(shop, now=now)
    job = enquiry(shop)
    found = rush(shop, job, now)
    made = rush_take(
        shop, fetched(shop, job), made_at=found.made_at, digest=found.digest, runs=str(found.runs), user=None
    )
    promise_take_back(made)
    job = Job.objects.get(pk=job.pk)
    assert (job.status, job.due_at, job.turn_at) == (JobStatus.ENQUIRY, None, None)


def test_a_promised_job_that_goes_first_replaces_its_date_and_says_why(shop):
    now = now_to_the_minute()
    for _ in range(2):
        promised(shop, now=now)
    job = promised(shop, now=now)
    found = rush(shop, job, now)
    assert job.number not in {one.number for one in found.touched}
    made = rush_take(
        shop, fetched(shop, job), made_at=found.made_at, digest=found.digest, runs=str(found.runs), user=None
    )
    assert made.why_changed == WhyChanged.SOONER
    assert made.replaces is not None
    promise_take_back(made)
    job.refresh_from_db()
    assert (job.due_at, job.turn_at) == (Promise.objects.exclude(pk=made.pk).get(job=job).promised_at, None)


def test_what_has_moved_or_is_old_is_not_taken(shop):
    now = now_to_the_minute()
    job = enquiry(shop)
    found = rush(shop, job, now)
    promised(shop, now=now)
    with pytest.raises(ShopError, match="has moved"):
        rush_take(
            shop,
            fetched(shop, job),
            made_at=found.made_at,
            digest=found.digest,
            runs=str(found.runs),
            user=None,
        )
    for old in ("", "soon", (now - timedelta(days=1)).isoformat(), now.replace(tzinfo=None).isoformat()):
        with pytest.raises(ShopError, match="too long ago"):
            rush_take(
                shop, fetched(shop, job), made_at=old, digest=found.digest, runs=str(found.runs), user=None
            )
    assert not Promise.objects.filter(job=job).exists()


@pytest.fixture
def client(shop):
    user = User.objects.create_user("ada")
    Membership.objects.create(user=user, shop=shop, role=Role.PLANNER)
    client = Client()
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")
    return client


@pytest.mark.parametrize("name", ["ways", "sooner", "rush"])
def test_a_page_shows_its_frame_at_once_and_all_of_it_without_scripts(shop, client, name):
    promised(shop, now=now_to_the_minute())
    job = enquiry(shop, "Solvent")
    path = f"/jobs/{job.number}/promise/{name}/"
    frame = client.get(path).content.decode()
    assert 'aria-busy="true"' in frame
    assert 'content="0; url=?whole"' in frame
    whole = client.get(f"{path}?whole")
    assert whole.status_code == 200
    assert "aria-busy" not in whole.content.decode()
    parts = {"sooner": ("sooner_until", "sooner_moves", "sooner_first")}.get(name, (name,))
    for part in parts:
        answer = client.get(path, headers={"X-Part": part})
        assert answer.status_code == 200
        assert "<html" not in answer.content.decode()


def test_a_job_that_cannot_be_made_says_why_on_each_page(shop, client):
    job = enquiry(shop)
    Stage.objects.filter(job=job).update(left_out=True)
    for name in ("ways", "sooner", "rush"):
        answer = client.get(f"/jobs/{job.number}/promise/{name}/?whole")
        assert answer.status_code == 422
        assert "The job has no stages" in answer.content.decode()


def test_the_pages_choose_a_way_and_take_a_rush(shop, client):
    job = enquiry(shop, "Solvent")
    path = f"/jobs/{job.number}/promise"
    way = next(
        one
        for one in client.get(f"{path}/ways/?whole").context["ways"].ways
        if one.recipe.name == "UV with a full gloss layer, bare"
    )
    sent = {"process": way.recipe.process.pk, "finish": way.recipe.finish.pk, "gloss": "1"}
    assert client.post(f"{path}/ways/", sent).url == f"{path}/"
    job.refresh_from_db()
    assert (job.process, job.finish) == (way.recipe.process, way.recipe.finish)
    found = client.get(f"{path}/rush/?whole").context["rush"]
    client.post(f"{path}/rush/", {"made_at": found.made_at, "digest": found.digest, "runs": found.runs})
    job.refresh_from_db()
    assert job.status == JobStatus.PROMISED
    assert job.promises.get().put_first
