"""A promised job that cannot be done any more is told once, with why and what would help; and when it can be again."""

from datetime import timedelta

import pytest
from django.core import mail
from django.db import connection
from django.test import Client
from quay import enquiry, make_quay
from watch_worlds import MONDAY, lies, moved, promise_by

from analytics.models import Slip, SlipKind, Telling, TellingEvent, TellingState
from analytics.selectors.outlooks import slipping_count, watched
from analytics.services import telling
from analytics.services.listeners import hook_listener_add, mail_listener_add
from analytics.services.slips import CALM
from analytics.services.telling import BACKOFF, telling_send_next
from analytics.services.watching import watch_shop
from jobs.models import Job, JobStatus
from shop.models import Machine, MachineKind, Membership, OpeningHours, Person, Role

pytestmark = pytest.mark.django_db

HOUR = timedelta(hours=1)
FAR = MONDAY + timedelta(days=30)
SET_IN = "Add one under Shop, Machines, or leave the stage out."


@pytest.fixture
def shop(settings):
    settings.MAIL_IS_SET, settings.DEFAULT_FROM_EMAIL = True, "dates@quay.example"
    shop = make_quay()
    mail_listener_add(shop, "planner@quay.example", None, MONDAY)
    return shop


def cutters(shop, active):
    """Take the shop's cutters out of use, or into it again."""
    Machine.objects.of(shop).filter(kind=MachineKind.CUTTER).update(active=active)
    moved(shop)


def send_all(now):
    while telling_send_next(now) is not None:
        pass


def subjects():
    return [message.subject for message in mail.outbox]


def watched_and_told(shop, now):
    found = watch_shop(shop, now)
    send_all(now)
    return found


def stuck_job(shop):
    """A job with a date that is easily kept, told of as impossible."""
    promise = promise_by(enquiry(shop), FAR)
    assert watched_and_told(shop, MONDAY) == []
    cutters(shop, active=False)
    (slip,) = watched_and_told(shop, MONDAY + HOUR)
    assert (slip.promise, slip.kind) == (promise, SlipKind.STUCK)
    return promise


# What makes it impossible.


@pytest.mark.parametrize(
    ("gone", "reason", "remedy"),
    [
        ("machine", "it needs a cutter", SET_IN),
        ("person", "nobody", "Add people or their skills under Shop, People"),
        ("hours", "No opening hours", "Give the shop opening hours under Shop"),
    ],
)
def test_it_is_told_once_with_the_reason_and_what_would_make_it_possible(shop, gone, reason, remedy):
    shop.address = "https://quay.example"
    shop.save()
    promise_by(enquiry(shop), FAR)
    assert watched_and_told(shop, MONDAY) == []
    if gone == "machine":
        cutters(shop, active=False)
    elif gone == "person":
        Person.objects.of(shop).update(active=False)
    else:
        OpeningHours.objects.of(shop).delete()
    moved(shop)
    for minutes in (60, 61, 66, 200, 3000):
        moved(shop)
        watched_and_told(shop, MONDAY + timedelta(minutes=minutes))
    (message,) = mail.outbox
    assert message.subject == "Job 1 cannot be done as things stand: Crate labels"
    first, second, *_, last = message.body.splitlines()
    assert (
        first
        == "Job 1, Crate labels, was promised by Wednesday 30 December, 09:00, to be kept eight times in ten."
    )
    assert second.startswith("As the shop stands it cannot be done. ")
    assert reason in second
    assert remedy in second
    assert last == "https://quay.example/watch/"
    assert Slip.objects.get().why in second


def test_the_others_keep_their_dates_and_are_not_told_of(shop):
    """One job that needs no cutter lies; the other cannot be cut."""
    promise_by(lies(shop, 600), MONDAY + 11 * HOUR)
    stuck_job(shop)
    assert subjects() == ["Job 2 cannot be done as things stand: Crate labels"]
    assert slipping_count(shop) == 1
    by_number = {row.job.number: row for row in watched(shop)}
    assert by_number[1].outlook.chance == 1.0
    assert (by_number[2].outlook, by_number[2].slip.kind) == (None, SlipKind.STUCK)


def test_a_job_that_nobody_promised_is_not_told_of(shop):
    job = enquiry(shop)
    Job.objects.filter(pk=job.pk).update(status=JobStatus.IN_HAND, due_at=FAR)
    cutters(shop, active=False)
    assert watched_and_told(shop, MONDAY) == []
    assert mail.outbox == []


def test_a_signed_message_says_what_happened(shop, monkeypatch):
    sent = []
    monkeypatch.setattr(telling, "hook_send", lambda listener, message, now: sent.append(message))
    listener = hook_listener_add(shop, "https://quay.example/told", None, MONDAY)
    stuck_job(shop)
    cutters(shop, active=True)
    watched_and_told(shop, MONDAY + 2 * HOUR)
    began, over = sent
    slip = Slip.objects.get()
    assert (began["event"], over["event"]) == ("promise.impossible", "promise.possible")
    assert (began["id"], over["id"]) == (
        f"slip-{slip.pk}-{listener.pk}",
        f"slip-{slip.pk}-{listener.pk}-over",
    )
    assert (began["chance"], began["likely_finish"], began["why"]) == (0.0, None, slip.why)
    assert (over["chance"], over["why"]) == (1.0, "")
    assert MONDAY.isoformat() < over["likely_finish"] < FAR.isoformat()


# When it is over.


def test_that_it_can_be_done_again_is_told_once(shop):
    stuck_job(shop)
    cutters(shop, active=True)
    for hours in (2, 3, 4):
        moved(shop)
        watched_and_told(shop, MONDAY + hours * HOUR)
    assert subjects()[1:] == ["Job 1 can be done again: Crate labels"]
    said = mail.outbox[1].body
    assert "From Monday 30 November, 10:00 on it could not be done; now it can again." in said
    assert "As things stand it is in time nearly always." in said
    assert slipping_count(shop) == 0


@pytest.mark.parametrize("how", ["finished", "cancelled", "taken back", "changed"])
def test_what_is_no_matter_any_more_is_not_told_as_possible(shop, how):
    promise = stuck_job(shop)
    if how == "taken back":
        promise.withdrawn_at = MONDAY
        promise.save()
    elif how == "changed":
        promise_by(promise.job, FAR + HOUR, made_at=MONDAY + timedelta(minutes=1))
    else:
        Job.objects.filter(pk=promise.job_id).update(status=how)
    cutters(shop, active=True)
    watched_and_told(shop, MONDAY + 2 * HOUR)
    assert len(mail.outbox) == 1
    assert slipping_count(shop) == 0


def test_to_and_fro_is_told_of_once_within_the_hour_and_then_again(shop):
    stuck_job(shop)
    cutters(shop, active=True)
    watched_and_told(shop, MONDAY + 2 * HOUR)
    cutters(shop, active=False)
    assert watched_and_told(shop, MONDAY + 2 * HOUR + timedelta(minutes=1)) == []
    assert watched_and_told(shop, MONDAY + 2 * HOUR + CALM - timedelta(seconds=1)) == []
    moved(shop)
    assert len(watched_and_told(shop, MONDAY + 2 * HOUR + CALM)) == 1
    assert [subject.split()[2] for subject in subjects()] == ["cannot", "can", "cannot"]


def test_a_date_that_slipped_before_slips_on_and_is_not_told_twice(shop):
    promise_by(enquiry(shop), MONDAY + timedelta(minutes=5))
    assert len(watched_and_told(shop, MONDAY)) == 1
    cutters(shop, active=False)
    watched_and_told(shop, MONDAY + HOUR)
    assert slipping_count(shop) == 1  # one date, whatever is wrong with it
    cutters(shop, active=True)
    watched_and_told(shop, MONDAY + 2 * HOUR)
    assert [subject.split(":")[0] for subject in subjects()] == [
        "Job 1 may be late",
        "Job 1 cannot be done as things stand",
        "Job 1 can be done again",
    ]
    assert "in time hardly ever" in mail.outbox[2].body
    assert [(slip.kind, slip.cleared_at) for slip in Slip.objects.filter(cleared_at=None)] == [("late", None)]


# Repeats and races.


def test_two_workers_that_notice_at_once_tell_once(shop, monkeypatch):
    promise_by(enquiry(shop), FAR)
    cutters(shop, active=False)
    assert len(watch_shop(shop, MONDAY)) == 1
    moved(shop)
    with monkeypatch.context() as patch:  # the other looked before the first had written
        patch.setattr("analytics.services.slips.slips_open", lambda shop: {})
        assert watch_shop(shop, MONDAY) == []
    send_all(MONDAY)
    assert len(mail.outbox) == 1


def test_two_workers_that_notice_at_once_that_it_is_over_tell_once(shop, monkeypatch):
    stuck_job(shop)
    seen = {(slip.promise_id, slip.kind): slip for slip in Slip.objects.all()}
    cutters(shop, active=True)
    watch_shop(shop, MONDAY + 2 * HOUR)
    moved(shop)
    with monkeypatch.context() as patch:
        patch.setattr("analytics.services.slips.slips_open", lambda shop: seen)
        watch_shop(shop, MONDAY + 2 * HOUR)
    send_all(MONDAY + 2 * HOUR)
    assert subjects()[1:] == ["Job 1 can be done again: Crate labels"]


def test_what_was_over_before_anybody_was_told_is_told_to_nobody(shop):
    promise_by(enquiry(shop), FAR)
    watch_shop(shop, MONDAY)
    cutters(shop, active=False)
    watch_shop(shop, MONDAY)  # and no worker sends anything
    cutters(shop, active=True)
    watched_and_told(shop, MONDAY + HOUR)
    assert mail.outbox == []
    assert [one.state for one in Telling.objects.all()] == [TellingState.GIVEN_UP]


def test_one_that_may_have_been_told_hears_that_it_is_over(shop, monkeypatch):
    """A worker that was killed after sending has written nothing down: whether it arrived, nobody can say."""
    promise_by(enquiry(shop), FAR)
    watch_shop(shop, MONDAY)
    cutters(shop, active=False)
    watch_shop(shop, MONDAY)

    def killed(*_):
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(telling, "_save", killed)
        with pytest.raises(KeyboardInterrupt):
            telling_send_next(MONDAY)
    cutters(shop, active=True)
    watch_shop(shop, MONDAY)
    send_all(MONDAY)
    send_all(MONDAY + BACKOFF[0])
    assert [subject.split()[2] for subject in subjects()] == ["cannot", "can"]
    states = {one.event: one.state for one in Telling.objects.all()}
    assert states == {TellingEvent.BEGUN: TellingState.GIVEN_UP, TellingEvent.OVER: TellingState.SENT}


def test_that_it_is_possible_is_not_told_once_it_is_not_so_any_more(shop, settings):
    stuck_job(shop)
    cutters(shop, active=True)
    settings.MAIL_IS_SET = False
    watched_and_told(shop, MONDAY + 2 * HOUR)
    cutters(shop, active=False)
    watch_shop(shop, MONDAY + 2 * HOUR)
    settings.MAIL_IS_SET = True
    send_all(MONDAY + 3 * HOUR)
    assert len(mail.outbox) == 1
    assert Telling.objects.get(event=TellingEvent.OVER).state == TellingState.GIVEN_UP


def test_the_database_itself_refuses_a_second_slip_and_a_second_message(shop):
    """Whatever two workers do, the constraints hold: of one promise one open slip of a kind, of a slip one message."""
    with connection.cursor() as cursor:
        names = {
            name
            for table in ("analytics_slip", "analytics_telling")
            for name, one in connection.introspection.get_constraints(cursor, table).items()
            if one["unique"]
        }
    assert {"slip_open_once", "told_once"} <= names


# On the page.


def test_the_page_says_why_and_what_would_help(shop, admin_user):
    stuck_job(shop)
    Membership.objects.create(user=admin_user, shop=shop, role=Role.PLANNER)
    client = Client()
    client.force_login(admin_user, "django.contrib.auth.backends.ModelBackend")
    said = " ".join(client.get("/watch/").content.decode().split())
    assert "Cannot be done" in said
    assert said.count(SET_IN) == 1
