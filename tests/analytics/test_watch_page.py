"""The page of the watch: what it says, who may ask to be told, and that a secret is shown once."""

import re
from datetime import timedelta

import pytest
import time_machine
from django.core import mail
from django.test import Client
from django.urls import reverse
from quay import enquiry, make_quay
from watch_worlds import MONDAY, lies, promise_by

from analytics.models import Listener, Slip
from analytics.services.listeners import hook_listener_add, mail_listener_add
from analytics.services.telling import telling_send_next
from analytics.services.watching import watch_shop
from jobs.models import Job, JobStatus
from shop.models import Machine, MachineKind, Membership, Role, User

pytestmark = pytest.mark.django_db

WATCH = "/watch/"


@pytest.fixture(autouse=True)
def monday():
    with time_machine.travel(MONDAY, tick=False):
        yield


@pytest.fixture
def shop(settings):
    settings.MAIL_IS_SET, settings.DEFAULT_FROM_EMAIL = True, "dates@quay.example"
    return make_quay()


def client_of(shop, role=Role.PLANNER):
    user = User.objects.create_user(f"{role.value}-{shop.slug}")
    Membership.objects.create(user=user, shop=shop, role=role)
    client = Client()
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")
    return client


def text_of(answer) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", answer.content.decode()).split())


def test_an_empty_page_says_what_would_be_watched(shop):
    said = text_of(client_of(shop).get(WATCH))
    assert "A job is watched from the moment its date is promised" in said
    assert "Nobody is told; what slips stands on this page." in said


def test_what_slips_stands_first_with_what_would_help_and_what_it_costs(shop):
    mail_listener_add(shop, "planner@quay.example", None, MONDAY)
    promise_by(lies(shop, 600), MONDAY + timedelta(hours=20))
    promise_by(lies(shop, 600), MONDAY + timedelta(hours=1))
    watch_shop(shop, MONDAY)
    Slip.objects.update(
        savers=[
            {
                "what": "first",
                "words": "Put it ahead of everything else",
                "chance": 0.91,
                "saves": True,
                "harm": [{"job": 1, "before": 0.9, "after": 0.62}],
                "at": "",
            }
        ]
    )
    telling_send_next(MONDAY)
    said = text_of(client_of(shop, Role.VIEWER).get(WATCH))
    assert said.index("Job 2, Crate labels") < said.index("1, Crate labels Tuesday")
    assert "Promised by Monday 30 November, 10:00, eight times in ten In time hardly ever" in said
    assert "Put it ahead of everything else about 9 times in ten saves it job 1 about 6 times in ten" in said
    assert "not yet planner@quay.example Monday 30 November, 09:00" in said
    assert "nearly always" in said


def test_every_page_says_to_those_who_plan_how_many_dates_slip(shop):
    promise_by(lies(shop, 600), MONDAY + timedelta(hours=1))
    planner, viewer = client_of(shop), client_of(shop, Role.VIEWER)
    assert "at risk" not in text_of(planner.get("/jobs/"))
    watch_shop(shop, MONDAY)
    for page in ("/jobs/", WATCH):
        assert "Ahead 1 date at risk" in text_of(planner.get(page))
    assert "at risk" not in text_of(viewer.get("/jobs/"))


def test_a_date_that_nobody_promised_is_told_apart(shop):
    job = lies(shop, 600)
    Job.objects.filter(pk=job.pk).update(status=JobStatus.IN_HAND, due_at=MONDAY + timedelta(hours=1))
    watch_shop(shop, MONDAY)
    said = text_of(client_of(shop).get(WATCH))
    assert "No promised date slips." in said
    assert "(not promised)" in said


def test_why_nothing_is_known_stands_on_the_page(shop):
    promise_by(enquiry(shop), MONDAY)
    Machine.objects.filter(kind=MachineKind.CUTTER).delete()
    client = client_of(shop)
    assert "it needs a cutter" in text_of(client.get(WATCH))
    watch_shop(shop, MONDAY)
    assert "it needs a cutter" in text_of(client.get(WATCH))


def test_the_secret_of_an_address_is_shown_once(shop):
    client = client_of(shop)
    answer = client.post(
        reverse("analytics:listener-new"),
        {"kind": "webhook", "where": "https://quay.example/told"},
        follow=True,
    )
    secret = Listener.objects.get().secret
    assert len(bytes.fromhex(secret)) == 32
    assert secret in text_of(answer)
    assert "no-store" in answer["Cache-Control"]
    assert secret not in text_of(client.get(WATCH))


@pytest.mark.parametrize(
    ("kind", "where", "why"),
    [
        ("email", "nobody", "Give an e-mail address"),
        ("webhook", "ftp://quay.example", "begins with https://"),
        ("webhook", "", "begins with https://"),
    ],
)
def test_what_is_wrong_is_said_at_the_field(shop, kind, where, why):
    answer = client_of(shop).post(reverse("analytics:listener-new"), {"kind": kind, "where": where})
    assert answer.status_code == 422
    assert why in text_of(answer)
    assert f'value="{where}"' in answer.content.decode()
    assert not Listener.objects.exists()


def test_one_who_is_told_is_tested_switched_off_and_on_and_removed(shop):
    client = client_of(shop)
    client.post(reverse("analytics:listener-new"), {"kind": "email", "where": "planner@quay.example"})
    listener = Listener.objects.get()
    here = reverse("analytics:listener", args=[listener.pk])
    assert "The test reached planner@quay.example." in text_of(client.post(here, {"do": "test"}, follow=True))
    assert [message.subject for message in mail.outbox] == ["Test from Quay Signs"]
    assert "is told nothing until you say so" in text_of(client.post(here, {"do": "off"}, follow=True))
    assert not Listener.objects.get().active
    assert "is told again" in text_of(client.post(here, {"do": "on"}, follow=True))
    assert client.post(here, {"do": "sing"}).status_code == 400
    assert "is removed" in text_of(client.post(here, {"do": "remove"}, follow=True))
    assert not Listener.objects.exists()
    assert client.post(here, {"do": "on"}).status_code == 404


def test_a_test_that_does_not_arrive_says_why(shop, settings):
    settings.WEBHOOK_PRIVATE = False
    listener = hook_listener_add(shop, "http://127.0.0.1:9/", None, MONDAY)
    here = reverse("analytics:listener", args=[listener.pk])
    said = text_of(client_of(shop).post(here, {"do": "test"}, follow=True))
    assert "which is not written to here" in said


def test_without_a_mail_server_the_page_says_what_to_set(shop, settings):
    settings.MAIL_IS_SET = False
    assert "No mail server is set" in text_of(client_of(shop).get(WATCH))


@pytest.mark.parametrize("role", [Role.VIEWER, Role.MAKER])
def test_others_look_and_change_nothing(shop, role):
    listener = hook_listener_add(shop, "https://quay.example/a-long-secret-path", None, MONDAY)
    client = client_of(shop, role)
    assert "a-long-secret-path" not in text_of(client.get(WATCH))
    for name, args in (("listener-new", []), ("listener", [listener.pk])):
        assert client.post(reverse(f"analytics:{name}", args=args)).status_code == 403


def test_another_shops_listeners_are_not_there(shop):
    theirs = mail_listener_add(make_quay("hill"), "eve@hill.example", None, MONDAY)
    client = client_of(shop)
    assert client.post(reverse("analytics:listener", args=[theirs.pk]), {"do": "remove"}).status_code == 404
    assert "eve@hill.example" not in text_of(client.get(WATCH))
