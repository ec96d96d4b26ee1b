"""Slips are told: by e-mail and by signed messages, each once, again where that failed, and nowhere it must not go."""

import hashlib
import hmac
import ipaddress
import json
import smtplib
import socket
from collections.abc import Iterator
from contextlib import suppress
from datetime import timedelta
from threading import Event, Thread

import pytest
from django.core import mail
from quay import make_quay
from receivers import Receiver, receiving, send_all
from watch_worlds import MONDAY, lies, promise_by

from analytics.models import Listener, Slip, Telling, TellingState
from analytics.services import telling, webhooks
from analytics.services.listeners import MOST, hook_listener_add, listener_switch, mail_listener_add
from analytics.services.telling import BACKOFF, listener_test, telling_is_due, telling_send_next
from analytics.services.watching import watch_shop
from analytics.services.webhooks import NotSent, hook_post, is_open_to_all, signature
from analytics.words.slips import say_chance
from shop.errors import BadInput

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


def slip_of(shop) -> Slip:
    """A promise of an hour, for what lies ten."""
    promise_by(lies(shop, 600), MONDAY + HOUR)
    (slip,) = watch_shop(shop, MONDAY)
    return slip


# The signature.


def test_the_primitive_is_that_of_rfc_4231():
    """RFC 4231, section 4.3, test case 2: HMAC-SHA-256 of a key shorter than the digest."""
    made = hmac.new(b"Jefe", b"what do ya want for nothing?", hashlib.sha256).hexdigest()
    assert made == "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"


def test_a_signature_is_the_hmac_of_the_time_and_the_body():
    t, v1 = signature("a secret", 1796029200, b'{"a":1}').split(",")
    assert t == "t=1796029200"
    assert v1 == "v1=" + hmac.digest(b"a secret", b'1796029200.{"a":1}', "sha256").hex()


# A signed message.


def test_a_slip_is_told_once_and_the_receiver_can_check_who_says_it(shop, receiver):
    listener = hook_listener_add(shop, receiver.url, None, MONDAY)
    slip = slip_of(shop)
    assert send_all(MONDAY) == [True]
    assert send_all(MONDAY + timedelta(days=1)) == []
    ((headers, body),) = receiver.came
    stamped = dict(part.split("=") for part in headers["Lapwright-Signature"].split(","))
    wanted = hmac.new(listener.secret.encode(), stamped["t"].encode() + b"." + body, hashlib.sha256)
    assert hmac.compare_digest(stamped["v1"], wanted.hexdigest())
    assert int(stamped["t"]) == MONDAY.timestamp()
    assert (headers["path"], headers["Content-Type"]) == ("/told?a=1", "application/json")
    said = json.loads(body)
    assert said == {
        "version": 1,
        "event": "promise.slipping",
        "id": f"slip-{slip.pk}-{listener.pk}",
        "sent_at": MONDAY.isoformat(),
        "shop": "quay",
        "slip": slip.pk,
        "noticed_at": MONDAY.isoformat(),
        "job": {"number": 1, "title": "Crate labels"},
        "promised_at": (MONDAY + HOUR).isoformat(),
        "confidence": 0.8,
        "chance": 0.0,
        "likely_finish": (MONDAY + 10 * HOUR).isoformat(),
        "savers": slip.savers,
        "why": "",
    }
    told = Telling.objects.get()
    assert (told.state, told.tries, told.sent_at, told.error) == (TellingState.SENT, 1, MONDAY, "")


def test_what_does_not_arrive_is_tried_again_ever_later_and_given_up(shop, receiver):
    """1 and 5 and 30 minutes, 2 and 8 hours after each try in vain: six tries in all."""
    receiver.answer = 500
    hook_listener_add(shop, receiver.url, None, MONDAY)
    slip_of(shop)
    now = MONDAY
    for n, minutes in enumerate((1, 5, 30, 120, 480)):
        assert send_all(now) == [False]
        told = Telling.objects.get()
        assert (told.state, told.tries) == (TellingState.WAITING, n + 1)
        assert told.error == "The address answered 500."
        assert send_all(now + timedelta(minutes=minutes, seconds=-1)) == []
        now += timedelta(minutes=minutes)
    assert send_all(now) == [False]
    assert Telling.objects.get().state == TellingState.GIVEN_UP
    assert not telling_is_due(now + timedelta(days=30))
    ids = {json.loads(body)["id"] for _, body in receiver.came}
    assert (len(receiver.came), len(ids), len(BACKOFF)) == (6, 1, 5)


def test_a_worker_killed_between_sending_and_writing_it_down_sends_once_more_with_the_same_id(
    shop, receiver, monkeypatch
):
    hook_listener_add(shop, receiver.url, None, MONDAY)
    slip_of(shop)

    def killed(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch, suppress(KeyboardInterrupt):
        patch.setattr(telling, "_save", killed)
        telling_send_next(MONDAY)
    assert Telling.objects.get().state == TellingState.WAITING
    assert send_all(MONDAY) == []  # another worker leaves it alone: it may still be on its way
    assert send_all(MONDAY + BACKOFF[0]) == [True]
    assert send_all(MONDAY + timedelta(days=30)) == []
    first, second = (json.loads(body) for _, body in receiver.came)
    assert first["id"] == second["id"]


def test_a_redirect_is_not_followed(shop, receiver):
    receiver.answer = 307
    listener = hook_listener_add(shop, receiver.url, None, MONDAY)
    with pytest.raises(NotSent, match=r"answered 307\. It leads on"):
        listener_test(listener, MONDAY)
    assert [headers["path"] for headers, _ in receiver.came] == ["/told?a=1"]


def test_one_that_never_answers_is_not_waited_for(shop, monkeypatch):
    monkeypatch.setattr(webhooks, "TIMEOUT_S", 0.2)
    with socket.create_server(("127.0.0.1", 0)) as silent, pytest.raises(NotSent, match="in time"):
        hook_post(f"http://127.0.0.1:{silent.getsockname()[1]}/", b"{}", "s", 1)


def test_one_that_trickles_is_cut_off(shop, monkeypatch):
    """A byte now and then keeps within the time for each answer, not within that for all of them."""
    monkeypatch.setattr(webhooks, "ALTOGETHER_S", 0.3)
    with socket.create_server(("127.0.0.1", 0)) as slow:

        def trickle() -> None:
            there, _ = slow.accept()
            with there, suppress(OSError):
                for sign in b"HTTP/1.1 200 OK\r\n" * 100:
                    there.sendall(bytes([sign]))
                    stopped.wait(0.05)

        stopped, thread = Event(), Thread(target=trickle)
        thread.start()
        with pytest.raises(NotSent):
            hook_post(f"http://127.0.0.1:{slow.getsockname()[1]}/", b"{}", "s", 1)
        stopped.set()
        thread.join()


def test_a_name_of_many_addresses_that_do_not_answer_is_not_waited_for_at_each(shop, monkeypatch):
    """A hundred addresses, five seconds each: three of them are all the time that there is."""
    clock, tried = [0.0], []

    def unanswered(where: tuple[str, int], seconds: float) -> socket.socket:
        tried.append(where[0])
        clock[0] += seconds
        raise TimeoutError

    many = [(0, 0, 0, "", (f"10.0.0.{n}", 80)) for n in range(100)]
    monkeypatch.setattr(webhooks, "monotonic", lambda: clock[0])
    monkeypatch.setattr(socket, "getaddrinfo", lambda *_, **__: many)
    monkeypatch.setattr(socket, "create_connection", unanswered)
    with pytest.raises(NotSent, match="in time"):
        hook_post("http://shop.example/", b"{}", "s", 1)
    assert tried == ["10.0.0.0", "10.0.0.1", "10.0.0.2"]


# Where messages may go.


@pytest.mark.parametrize(
    ("address", "why"),
    [
        ("8.8.8.8", True),
        ("2001:4860:4860::8888", True),
        ("127.0.0.1", False),
        ("10.1.2.3", False),
        ("192.168.1.20", False),
        ("172.16.0.1", False),
        ("169.254.169.254", False),
        ("100.64.0.1", False),
        ("0.0.0.0", False),  # noqa: S104 - nothing is bound
        ("224.0.0.1", False),
        ("::1", False),
        ("fd00::20", False),
        ("fe80::1", False),
        ("::ffff:127.0.0.1", False),  # RFC 4291, 2.5.5.2: an address of the older kind in the newer
        ("2002:7f00:1::", False),  # RFC 3056: the same by 6to4
        ("64:ff9b::a9fe:a9fe", False),  # RFC 6052: the same by translation, 169.254.169.254
        ("64:ff9b::808:808", True),
        ("64:ff9b:1::a00:1", False),  # RFC 8215: the same by a network's own translation
        ("::127.0.0.1", False),  # RFC 4291, 2.5.5.1: the form before that
        ("::ffff:0:127.0.0.1", False),  # RFC 2765, 2.1: the form of stateless translation
        ("fec0::1", False),  # RFC 3879: a site's own
    ],
)
def test_what_is_open_to_all_and_what_is_not(address, why):
    """The special ranges are those of the IANA registries (RFC 6890)."""
    assert is_open_to_all(ipaddress.ip_address(address)) is why


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "[::1]", "0", "2130706433", "[::ffff:127.0.0.1]"])
def test_this_computer_is_not_written_to_where_many_shops_are_served(shop, receiver, settings, host):
    settings.WEBHOOK_PRIVATE = False
    with pytest.raises(NotSent, match="not written to here"):
        hook_post(f"http://{host}:{receiver.server_port}/", b"{}", "s", 1)
    assert receiver.came == []


def test_a_networks_own_addresses_are_never_written_to(shop):
    with pytest.raises(NotSent, match="not written to here"):
        hook_post("http://169.254.169.254/latest/", b"{}", "s", 1)


def test_a_name_that_means_another_address_a_moment_later_gains_nothing(shop, receiver, monkeypatch):
    """The name is looked up once: what was looked at is what is connected to."""
    looked, real = [], socket.getaddrinfo

    def changing(host, port, *rest, **more):
        if host == "shop.example":
            looked.append(host)
            assert len(looked) == 1
            host = "127.0.0.1"
        return real(host, port, *rest, **more)

    monkeypatch.setattr(socket, "getaddrinfo", changing)
    hook_post(f"http://shop.example:{receiver.server_port}/", b"{}", "s", 1)
    ((headers, _),) = receiver.came
    assert headers["Host"] == f"shop.example:{receiver.server_port}"


@pytest.mark.parametrize(
    "url",
    [
        "ftp://shop.example",
        "file:///etc/passwd",
        "shop.example",
        "http://",
        "http://a b/",
        "https://u:p@shop.example/",
    ],
)
def test_what_is_no_address_is_refused_where_it_is_typed(shop, url):
    with pytest.raises(BadInput) as refused:
        hook_listener_add(shop, url, None, MONDAY)
    assert refused.value.field == "url"


# E-mail.


def test_an_email_says_what_slips_and_what_would_help(shop):
    mail_listener_add(shop, "planner@quay.example", None, MONDAY)
    shop.address = "https://quay.example"
    shop.save()
    slip_of(shop)
    assert send_all(MONDAY) == [True]
    (message,) = mail.outbox
    assert (message.to, message.from_email) == (["planner@quay.example"], "Quay Signs <dates@quay.example>")
    assert message.subject == "Job 1 may be late: Crate labels"
    assert message.body == (
        "Job 1, Crate labels, was promised by Monday 30 November, 10:00, to be kept eight times in ten.\n"
        "As things stand it is in time hardly ever.\n"
        "Eight times in ten it is finished by Monday 30 November, 19:00.\n"
        "\nWhat would help:\n"
        "- Tell the customer: likely by Monday 30 November, 19:00\n"
        "\nhttps://quay.example/watch/\n"
    )
    assert message.extra_headers["Message-ID"].endswith(".quay@quay.example>")


def test_without_a_mail_server_it_is_said_and_tried_again(shop, settings):
    settings.MAIL_IS_SET = False
    mail_listener_add(shop, "planner@quay.example", None, MONDAY)
    slip_of(shop)
    assert send_all(MONDAY) == [False]
    assert "No mail server is set" in Telling.objects.get().error
    settings.MAIL_IS_SET = True
    assert send_all(MONDAY + BACKOFF[0]) == [True]


def test_a_mail_server_that_refuses_is_named_without_its_words(shop, monkeypatch):
    listener = mail_listener_add(shop, "planner@quay.example", None, MONDAY)

    def refuse(self, *_: object) -> None:
        raise smtplib.SMTPAuthenticationError(535, b"user ann, password hush")

    monkeypatch.setattr(telling.EmailMessage, "send", refuse)
    with pytest.raises(NotSent) as refused:
        listener_test(listener, MONDAY)
    assert str(refused.value) == "The mail server did not take it: SMTPAuthenticationError."


def test_a_title_cannot_write_headers(shop):
    mail_listener_add(shop, "planner@quay.example", None, MONDAY)
    job = lies(shop, 600)
    job.title = "Van\nBcc: all@quay.example"
    job.save()
    promise_by(job, MONDAY + HOUR)
    watch_shop(shop, MONDAY)
    assert send_all(MONDAY) == [True]
    assert mail.outbox[0].subject == "Job 1 may be late: Van Bcc: all@quay.example"


# Who is told.


def test_only_those_of_the_shop_who_ask_now_are_told(shop):
    for name in ("ann", "ben"):
        mail_listener_add(shop, f"{name}@quay.example", None, MONDAY)
    listener_switch(Listener.objects.get(email="ben@quay.example"), on=False)
    mail_listener_add(make_quay("hill"), "eve@hill.example", None, MONDAY)
    slip_of(shop)
    send_all(MONDAY)
    assert [message.to for message in mail.outbox] == [["ann@quay.example"]]


def test_what_is_over_before_it_could_be_told_is_not_told(shop):
    mail_listener_add(shop, "planner@quay.example", None, MONDAY)
    slip = slip_of(shop)
    slip.cleared_at = MONDAY
    slip.save()
    assert send_all(MONDAY) == [False]
    assert mail.outbox == []
    assert Telling.objects.get().state == TellingState.GIVEN_UP


def test_nobody_is_asked_for_twice_and_not_too_many(shop):
    mail_listener_add(shop, "planner@quay.example", None, MONDAY)
    with pytest.raises(BadInput, match="told already"):
        mail_listener_add(shop, "Planner@quay.example", None, MONDAY)
    with pytest.raises(BadInput, match="e-mail address"):
        mail_listener_add(shop, "planner", None, MONDAY)
    for n in range(MOST - 1):
        hook_listener_add(shop, f"https://quay.example/{n}", None, MONDAY)
    with pytest.raises(BadInput, match="Remove one"):
        hook_listener_add(shop, "https://quay.example/more", None, MONDAY)


@pytest.mark.parametrize(
    ("chance", "words"),
    [
        (0.0, "hardly ever"),
        (0.1, "about 1 time in ten"),
        (0.72, "about 7 times in ten"),
        (0.97, "nearly always"),
    ],
)
def test_a_chance_in_words(chance, words):
    assert say_chance(chance) == words
