"""What one look at a shop finds goes to a person in one e-mail; who is not reached is left alone for a while."""

import json
from collections.abc import Iterator
from contextlib import suppress
from datetime import timedelta

import pytest
from django.core import mail
from django.utils import timezone
from quay import make_quay
from receivers import Receiver, receiving, send_all
from watch_worlds import MONDAY, lies, promise_by

from analytics.models import Slip, Telling, TellingState
from analytics.services import telling
from analytics.services.listeners import hook_listener_add, mail_listener_add
from analytics.services.telling import BACKOFF, telling_send_next
from analytics.services.watching import watch_shop
from analytics.tasks import send_tellings
from analytics.words.slips import IMPOSSIBLE, POSSIBLE, SLIPPING, mail_subject

pytestmark = pytest.mark.django_db

HOUR = timedelta(hours=1)


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    with receiving() as server:
        yield server


@pytest.fixture
def shop(settings):
    settings.WEBHOOK_PRIVATE, settings.MAIL_IS_SET = True, True
    settings.DEFAULT_FROM_EMAIL = "Quay Signs <dates@quay.example>"
    return make_quay()


def slips_of(shop, count):
    """So many promises of an hour, for what lies ten, found in one look."""
    for _ in range(count):
        promise_by(lies(shop, 600), MONDAY + HOUR)
    return watch_shop(shop, MONDAY)


def test_what_one_look_finds_is_told_to_a_person_in_one_email(shop, receiver):
    """A program is told of each by itself: a reader of its messages knows no lists."""
    for name in ("ann", "ben"):
        mail_listener_add(shop, f"{name}@quay.example", None, MONDAY)
    hook_listener_add(shop, receiver.url, None, MONDAY)
    slips_of(shop, 3)
    send_all(MONDAY)
    assert [message.to for message in mail.outbox] == [["ann@quay.example"], ["ben@quay.example"]]
    assert {message.subject for message in mail.outbox} == {"3 jobs may be late: 1, 2 and 3"}
    for number in (1, 2, 3):
        assert f"\n\nJob {number}, Crate labels, was promised by" in f"\n\n{mail.outbox[0].body}"
    assert len(receiver.came) == 3
    assert set(Telling.objects.values_list("state", "tries", "sent_at")) == {(TellingState.SENT, 1, MONDAY)}
    assert send_all(MONDAY + timedelta(days=1)) == []


def test_a_worker_killed_midway_repeats_the_email_as_it_was_and_what_came_since_by_itself(shop, monkeypatch):
    mail_listener_add(shop, "ann@quay.example", None, MONDAY)
    slips_of(shop, 2)

    def killed(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch, suppress(KeyboardInterrupt):
        patch.setattr(telling, "_save", killed)
        telling_send_next(MONDAY)
    later = MONDAY + BACKOFF[0]
    promise_by(lies(shop, 600), MONDAY + HOUR)
    watch_shop(shop, later)
    assert send_all(later) == [True, True]
    assert send_all(later + timedelta(days=30)) == []
    first, *others = mail.outbox
    same = [one for one in others if one.extra_headers["Message-ID"] == first.extra_headers["Message-ID"]]
    assert [one.subject for one in same] == [first.subject] == ["2 jobs may be late: 1 and 2"]
    assert [one.subject for one in others if one not in same] == ["Job 3 may be late: Crate labels"]


def test_what_is_over_meanwhile_is_left_out_of_the_email(shop):
    mail_listener_add(shop, "ann@quay.example", None, MONDAY)
    over, *_ = slips_of(shop, 3)
    Slip.objects.filter(pk=over.pk).update(cleared_at=MONDAY)
    assert send_all(MONDAY) == [True]
    assert mail.outbox[0].subject == "2 jobs may be late: 2 and 3"
    assert Telling.objects.get(slip=over).state == TellingState.GIVEN_UP


def test_one_that_does_not_answer_is_waited_for_once_and_holds_up_nobody(shop, receiver, monkeypatch):
    """Forty slips times a wait of seconds would keep the one worker of a small shop from all else."""
    receiver.answer = 500
    hook_listener_add(shop, receiver.url, None, MONDAY)
    mail_listener_add(shop, "ann@quay.example", None, MONDAY)
    slips_of(shop, 3)
    monkeypatch.setattr(timezone, "now", lambda: MONDAY)
    send_tellings()
    assert (len(receiver.came), len(mail.outbox)) == (1, 1)
    receiver.answer = 204
    send_tellings()
    assert len(receiver.came) == 3  # the two that were left alone; the first waits for its next try
    monkeypatch.setattr(timezone, "now", lambda: MONDAY + BACKOFF[0])
    send_tellings()
    ids = [json.loads(body)["id"] for _, body in receiver.came]
    assert (len(ids), len(set(ids))) == (4, 3)
    assert set(Telling.objects.values_list("state", flat=True)) == {TellingState.SENT}


@pytest.mark.parametrize(
    ("events", "subject"),
    [
        ([(SLIPPING, 4)], "Job 4 may be late: Van"),
        ([(SLIPPING, 4), (SLIPPING, 2)], "2 jobs may be late: 2 and 4"),
        (
            [(IMPOSSIBLE, n) for n in range(1, 9)],
            "8 jobs cannot be done as things stand: 1, 2, 3, 4, 5, 6 and 2 more",
        ),
        ([(POSSIBLE, 1), (SLIPPING, 9)], "Job 9 may be late; job 1 can be done again"),
        (
            [(IMPOSSIBLE, 3), (SLIPPING, 9), (SLIPPING, 7), (POSSIBLE, 1)],
            "2 jobs may be late: 7 and 9; job 3 cannot be done as things stand; job 1 can be done again",
        ),
    ],
)
def test_the_subject_says_how_many_and_which(events, subject):
    messages = [{"event": event, "job": {"number": number, "title": "Van"}} for event, number in events]
    assert mail_subject(messages) == subject
