"""Addresses without a log-in: nobody can guess one, each can be revoked, and each shows what it is for and no more."""

from __future__ import annotations

import hashlib
import hmac
from base64 import urlsafe_b64decode
from datetime import UTC, datetime, timedelta

import pytest
from django.conf import settings
from django.test import Client
from django.urls import reverse

from analytics.models import OpenAddress, OpenPurpose
from analytics.services.addresses import (
    CALENDARS,
    address_make,
    address_opened,
    address_renew,
    address_revoke,
    address_token,
)
from jobs.models import Job, JobStatus
from shop.errors import BadInput
from shop.models import Machine, Membership, Person, Role, Shop, User
from shop.services import revision_raise
from tests.analytics.quay import enquiry, make_quay

pytestmark = pytest.mark.django_db
NOW = datetime(2026, 3, 26, 10, tzinfo=UTC)
JOB = (OpenPurpose.JOB,)


@pytest.fixture
def quay() -> Shop:
    return make_quay()


def logged_in(shop: Shop, role: Role) -> Client:
    user = User.objects.create_user(f"{role}-{shop.slug}")
    Membership.objects.create(user=user, shop=shop, role=role)
    client = Client()
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")
    return client


def page_path(shop: Shop, **facts: object) -> tuple[Job, str]:
    job = enquiry(shop, customer_name="Harbour Café")
    Job.objects.filter(pk=job.pk).update(**facts)
    job.refresh_from_db()
    address = address_make(shop, job, by=None, now=NOW)
    return job, reverse("analytics:customer-page", args=[address_token(address)])


def calendar_path(shop: Shop, of: Person | Machine | None = None) -> str:
    return reverse("analytics:calendar", args=[address_token(address_make(shop, of, by=None, now=NOW))])


def test_a_token_is_the_hmac_of_its_nonce(quay):
    """RFC 2104 worked out by the standard library; the key is derived as Django documents for `salted_hmac`."""
    address = address_make(quay, None, by=None, now=NOW)
    token = address_token(address)
    key = hashlib.sha256(b"analytics.open-address" + settings.SECRET_KEY.encode()).digest()
    mac = hmac.new(key, address.nonce.encode(), hashlib.sha256).digest()
    assert urlsafe_b64decode(token[22:] + "=") == mac
    assert len(mac) * 8 == 256
    assert len(urlsafe_b64decode(token[:22] + "==")) * 8 == 128
    stored = str(list(OpenAddress.objects.values()))
    assert token[22:] not in stored


def test_one_address_stands_for_each_thing_at_a_time(quay):
    first = address_make(quay, None, by=None, now=NOW)
    assert address_make(quay, None, by=None, now=NOW) == first
    second = address_renew(first, by=None, now=NOW)
    assert address_opened(address_token(first), CALENDARS, NOW) is None
    assert address_opened(address_token(second), CALENDARS, NOW) == second
    assert OpenAddress.objects.filter(revoked_at=None).count() == 1


def test_what_is_wrong_revoked_or_for_something_else_gets_the_same_answer(quay):
    _, good = page_path(quay)
    token = good.split("/")[-2]
    revoked = address_make(quay, Person.objects.of(quay).get(), by=None, now=NOW)
    address_revoke(revoked, NOW)
    another_secret = token[:22] + "A" * 43
    retired = Machine.objects.of(quay)[0]
    of_retired = calendar_path(quay, retired)
    Machine.objects.filter(pk=retired.pk).update(active=False)
    wrong = [
        f"/c/{another_secret}/",
        f"/c/{token[:-1]}/",
        f"/c/{token}A/",
        "/c/x/",
        "/c/ä/",
        f"/c/{address_token(revoked)}/",
        f"/cal/{address_token(revoked)}.ics",
        f"/cal/{token}.ics",
        of_retired,
        calendar_path(quay).replace("/cal/", "/c/").replace(".ics", "/"),
    ]
    answers = [Client().get(path) for path in wrong]
    assert {answer.status_code for answer in answers} == {404}
    assert len({answer.content for answer in answers}) == 1
    assert "ask the shop" in answers[0].content.decode()
    assert Client().get(good).status_code == 200


@pytest.mark.parametrize(
    ("facts", "said", "silent"),
    [
        ({}, ["We have your enquiry.", "No date is promised yet."], ["romised for"]),
        (
            {"status": JobStatus.PROMISED, "due_at": NOW + timedelta(days=3650)},
            ["booked in", "Promised for"],
            [],
        ),
        (
            {"status": JobStatus.IN_HAND, "due_at": NOW - timedelta(days=1)},
            ["working on", "That has passed"],
            [],
        ),
        ({"status": JobStatus.FINISHED, "due_at": NOW}, ["is finished"], ["romised for", "passed"]),
        ({"status": JobStatus.CANCELLED, "due_at": NOW}, ["is cancelled"], ["romised for"]),
    ],
)
def test_a_customer_sees_how_the_job_stands_and_its_date_and_nothing_else(quay, facts, said, silent):
    job, path = page_path(quay, notes="owes us money", **facts)
    answer = Client().get(path)
    text = answer.content.decode()
    assert all(words in text for words in said)
    assert "Quay Signs" in text
    for private in (
        *silent,
        job.title,
        "Harbour",
        "owes",
        "Ines",
        str(job.job_type),
        "csrf",
        "<script",
        "Lapwright",
    ):
        assert private not in text, private


def test_the_page_leaves_no_trace(quay):
    _, path = page_path(quay)
    answer = Client().get(path)
    assert answer.cookies == {}
    assert answer["Referrer-Policy"] == "no-referrer"
    assert "noindex" in answer["X-Robots-Tag"]
    assert "no-store" in answer["Cache-Control"]
    assert "private" in answer["Cache-Control"]
    assert Client().post(path).status_code == 405


def test_when_it_was_last_opened_is_kept_to_five_minutes(quay):
    token = address_token(address_make(quay, None, by=None, now=NOW))
    for minutes, kept in ((0, 0), (4, 0), (6, 6)):
        address_opened(token, CALENDARS, NOW + timedelta(minutes=minutes))
        assert OpenAddress.objects.get().read_at == NOW + timedelta(minutes=kept)


def test_a_calendar_is_sent_again_only_when_something_changed(quay):
    path = calendar_path(quay)
    first = Client().get(path)
    assert first["Content-Type"] == "text/calendar; charset=utf-8"
    assert first.content.startswith(b"BEGIN:VCALENDAR\r\n")
    assert (first["Referrer-Policy"], first.cookies) == ("no-referrer", {})
    same = Client().get(path, headers={"If-None-Match": first["ETag"]})
    assert (same.status_code, same.content) == (304, b"")
    revision_raise(quay.pk)
    again = Client().get(path, headers={"If-None-Match": first["ETag"]})
    assert again.status_code == 200
    assert again["ETag"] != first["ETag"]
    assert Client().head(path).status_code == 200


def test_another_shops_job_gets_no_address(quay):
    hill = make_quay("hill")
    with pytest.raises(BadInput):
        address_make(quay, enquiry(hill), by=None, now=NOW)
    answer = logged_in(quay, Role.OWNER).post("/addresses/", {"person": Person.objects.of(hill).get().pk})
    assert answer.status_code == 404
    assert not OpenAddress.objects.exists()


def test_a_planner_gives_a_customer_a_page_and_the_owner_gives_out_calendars(quay):
    planner, owner, job = logged_in(quay, Role.PLANNER), logged_in(quay, Role.OWNER), enquiry(quay)
    made = planner.post("/addresses/", {"job": job.number})
    shown = planner.get(made.url).content.decode()
    path = reverse("analytics:customer-page", args=[address_token(OpenAddress.objects.get())])
    assert f"http://testserver{path}" in shown
    assert planner.get(f"/addresses/?job={job.number}").url == made.url
    assert planner.post("/addresses/", {"shop": "yes"}).status_code == 403
    calendar = owner.post("/addresses/", {"shop": "yes"}).url
    assert planner.get(calendar).status_code == 404
    assert owner.get(calendar).status_code == 200
    for page in ("/addresses/", f"/jobs/{job.number}/"):
        assert planner.get(page).status_code == 200
    renewed = planner.post(f"{made.url}renew/").url
    assert Client().get(path).status_code == 404
    planner.post(f"{renewed}revoke/")
    assert not OpenAddress.objects.filter(revoked_at=None, job=job).exists()


def test_the_address_is_the_one_that_the_owner_says_others_reach(quay):
    Shop.objects.filter(pk=quay.pk).update(address="https://shop.example")
    owner = logged_in(quay, Role.OWNER)
    shown = owner.get(owner.post("/addresses/", {"shop": "yes"}).url).content.decode()
    assert "https://shop.example/cal/" in shown


@pytest.mark.parametrize("sent", [{}, {"job": "99999"}, {"job": "x"}, {"job": "9" * 40}])
def test_what_makes_no_sense_is_told_and_makes_nothing(quay, sent):
    answer = logged_in(quay, Role.OWNER).post("/addresses/", sent, follow=True)
    assert "Choose" in answer.content.decode() or "Nothing was chosen" in answer.content.decode()
    assert not OpenAddress.objects.exists()
