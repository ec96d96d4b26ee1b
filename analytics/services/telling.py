"""Slips are told: each once to each who asked, and again later where that did not arrive.

At least once: a message is marked as tried before it is sent and as sent after it. A worker that is killed in between
leaves it marked as tried: it is sent again when its next try is due, with the id by which the receiver knows it.

What one look at the shop found goes to a person in one e-mail, and stays together where it is tried again. A program
is told of each slip by itself.
"""

from __future__ import annotations

import json
import smtplib
from collections.abc import Collection, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from email.utils import parseaddr
from typing import Any

from django.conf import settings
from django.core.mail import EmailMessage
from django.db import connection, transaction
from django.db.models import QuerySet

from analytics.models import (
    JobOutlook,
    Listener,
    ListenerKind,
    SlipKind,
    Telling,
    TellingEvent,
    TellingState,
)
from analytics.selectors.outlooks import quantile_of
from analytics.services.slips import TOO_LATE
from analytics.services.webhooks import NotSent, hook_post
from analytics.words.slips import IMPOSSIBLE, POSSIBLE, SLIPPING, mail_subject, mail_text

VERSION = 1
"""Of the webhook's body: raised when a reader of the one before would misread it."""

BACKOFF = tuple(timedelta(minutes=m) for m in (1, 5, 30, 120, 480))
"""How long after each try in vain the next one is made; after the last one it is given up."""

NO_MAIL = "No mail server is set, so no e-mail can be sent."
NOT_SO = "It could not be done any more when this was to be told."


def telling_send_next(now: datetime, silent: set[int] | None = None) -> bool | None:
    """Send the next message that is due; whether it arrived, None where none is due.

    silent: listeners, by key, that are left alone; one that is not reached is put among them. So one that never
    answers is waited for once, however much there is to tell it, and not by all that the worker has to do besides.
    """
    silent = set() if silent is None else silent
    together = _claimed(now, silent)
    return _carry_out(together, now, silent) if together else None


def telling_is_due(now: datetime) -> bool:
    """Whether any message waits to be sent."""
    return _due(now).exists()


def _due(now: datetime) -> QuerySet[Telling]:
    return Telling.objects.filter(state=TellingState.WAITING, next_try_at__lte=now, listener__active=True)


def _claimed(now: datetime, silent: Collection[int]) -> list[Telling]:
    """Messages that are due and go together, marked as tried: for this worker alone until their next try is due."""
    due = _due(now).exclude(listener__in=silent)
    while (first := due.select_related("listener").order_by("next_try_at", "pk").first()) is not None:
        with transaction.atomic():
            locked = due.select_for_update(
                of=("self",) if connection.features.has_select_for_update_of else ()
            )
            rows = list(locked.filter(**_together_with(first)).order_by("pk"))
            for row in rows:
                row.next_try_at = now + BACKOFF[min(row.tries, len(BACKOFF) - 1)]
                row.tries += 1
                row.save(update_fields=["tries", "next_try_at"])
        if rows:  # else another worker was quicker
            whole = Telling.objects.select_related("slip__promise__job", "listener__shop", "shop")
            whole = whole.defer("slip__promise__snapshot", "slip__promise__quote")
            return list(whole.filter(pk__in=[row.pk for row in rows]).order_by("pk"))
    return []


def _together_with(first: Telling) -> dict[str, Any]:
    """What the messages that go with it have in common: those of one look at the shop were due at one instant."""
    if first.listener.kind == ListenerKind.WEBHOOK:
        return {"pk": first.pk}
    return {"listener": first.listener_id, "tries": first.tries, "next_try_at": first.next_try_at}


def _carry_out(together: Sequence[Telling], now: datetime, silent: set[int]) -> bool:
    told = [telling for telling in together if not _given_up(telling)]
    if not told:
        return False
    try:
        _send(told, now)
    except NotSent as why:
        silent.add(told[0].listener_id)
        last = told[0].tries > len(BACKOFF)  # they were tried equally often
        _save(told, TellingState.GIVEN_UP if last else TellingState.WAITING, str(why))
        return False
    _save(told, TellingState.SENT, "", now)
    return True


def _given_up(telling: Telling) -> bool:
    """Whether a message is not sent any more, which is then written down."""
    untrue = _untrue(telling)
    if untrue or telling.tries > len(BACKOFF) + 1:  # the worker of the last try was stopped
        _save([telling], TellingState.GIVEN_UP, untrue or telling.error or "It was stopped.")
        return True
    return False


def _untrue(telling: Telling) -> str:
    """Why a message is not true any more; empty where it is."""
    if telling.event == TellingEvent.BEGUN:
        return TOO_LATE if telling.slip.cleared_at is not None else ""
    stuck = JobOutlook.objects.filter(job=telling.slip.promise.job_id).exclude(why="")
    return NOT_SO if stuck.exists() else ""


def _save(
    together: Sequence[Telling], state: TellingState, error: str, sent_at: datetime | None = None
) -> None:
    """Write of all at once how far they are; of those whose listener or job is gone there is nothing to write."""
    rows = Telling.objects.filter(pk__in=[telling.pk for telling in together])
    rows.update(state=state, error=error[:300], sent_at=sent_at)


def _send(together: Sequence[Telling], now: datetime) -> None:
    """Send messages of one listener: a program gets one at a time."""
    listener, messages = together[0].listener, [message_of(telling, now) for telling in together]
    if listener.kind == ListenerKind.WEBHOOK:
        for message in messages:
            hook_send(listener, message, now)
    else:
        mail_send(listener, mail_subject(messages), mail_text(listener.shop, messages), messages[0]["id"])


def message_of(telling: Telling, now: datetime) -> dict[str, Any]:
    """What a webhook is sent; instants in ISO 8601, chances between 0 and 1.

    why: of a job that cannot be done, the reason and what would make it possible; of another empty.
    """
    slip = telling.slip
    promise, job, event = slip.promise, slip.promise.job, _event_of(telling)
    outlook = JobOutlook.objects.filter(job=job, runs__gt=0).first()
    likely = quantile_of(outlook, 0.8)
    return {
        "version": VERSION,
        "event": event,
        "id": f"slip-{slip.pk}-{telling.listener_id}{'-over' if event == POSSIBLE else ''}",
        "sent_at": now.astimezone(UTC).isoformat(),
        "shop": telling.shop.slug,
        "slip": slip.pk,
        "noticed_at": slip.noticed_at.isoformat(),
        "job": {"number": job.number, "title": job.title},
        "promised_at": promise.promised_at.isoformat(),
        "confidence": promise.confidence,
        "chance": outlook.chance if outlook and outlook.chance is not None else slip.chance,
        "likely_finish": likely.isoformat() if likely else None,
        "savers": slip.savers,
        "why": slip.why if event == IMPOSSIBLE else "",
    }


def _event_of(telling: Telling) -> str:
    if telling.slip.kind == SlipKind.LATE:
        return SLIPPING
    return IMPOSSIBLE if telling.event == TellingEvent.BEGUN else POSSIBLE


def test_message(listener: Listener, now: datetime) -> dict[str, Any]:
    """What is sent to see whether anything arrives."""
    return {
        "version": VERSION,
        "event": "test",
        "id": f"test-{listener.pk}-{now.timestamp():.0f}",
        "sent_at": now.astimezone(UTC).isoformat(),
        "shop": listener.shop.slug,
    }


def listener_test(listener: Listener, now: datetime) -> None:
    """Send a test message now. Raises NotSent with why it did not arrive."""
    message = test_message(listener, now)
    if listener.kind == ListenerKind.WEBHOOK:
        hook_send(listener, message, now)
        return
    text = f"This is a test. Slipping dates of {listener.shop.name} will be told to this address.\n"
    mail_send(listener, f"Test from {listener.shop.name}", text, message["id"])


def hook_send(listener: Listener, message: Mapping[str, Any], now: datetime) -> None:
    """One signed message. Raises NotSent."""
    body = json.dumps(message, separators=(",", ":")).encode()
    hook_post(listener.url, body, listener.secret, int(now.timestamp()))


def mail_send(listener: Listener, subject: str, text: str, key: str) -> None:
    """One e-mail, whose Message-ID is the same whenever it is sent again. Raises NotSent."""
    if not settings.MAIL_IS_SET:
        raise NotSent(NO_MAIL)
    domain = parseaddr(settings.DEFAULT_FROM_EMAIL)[1].rpartition("@")[2] or "localhost"
    headers = {"Message-ID": f"<{key}.{listener.shop.slug}@{domain}>"}
    try:
        EmailMessage(subject, text, to=[listener.email], headers=headers).send()
    except smtplib.SMTPRecipientsRefused as error:
        raise NotSent("The mail server refused that address.") from error
    except (smtplib.SMTPException, OSError) as error:
        raise NotSent(f"The mail server did not take it: {type(error).__name__}.") from error
