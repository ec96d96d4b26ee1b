"""Slips are told: each once to each who asked, and again later where that did not arrive.

At least once: a message is marked as tried before it is sent and as sent after it. A worker that is killed in between
leaves it marked as tried: it is sent again when its next try is due, with the id by which the receiver knows it.
"""

from __future__ import annotations

import json
import smtplib
from collections.abc import Mapping
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


def telling_send_next(now: datetime) -> bool | None:
    """Send the next message that is due; whether it arrived, None where none is due."""
    telling = _claimed(now)
    return None if telling is None else _carry_out(telling, now)


def telling_is_due(now: datetime) -> bool:
    """Whether any message waits to be sent."""
    return _due(now).exists()


def _due(now: datetime) -> QuerySet[Telling]:
    return Telling.objects.filter(state=TellingState.WAITING, next_try_at__lte=now, listener__active=True)


@transaction.atomic
def _claimed(now: datetime) -> Telling | None:
    """A message that is due, marked as tried, for this worker alone until its next try is due."""
    locking = connection.features.has_select_for_update_skip_locked
    rows = _due(now).select_for_update(skip_locked=locking, of=("self",) if locking else ())
    row = rows.order_by("next_try_at", "pk").first()
    if row is None:
        return None
    row.next_try_at = now + BACKOFF[min(row.tries, len(BACKOFF) - 1)]
    row.tries += 1
    row.save(update_fields=["tries", "next_try_at"])
    whole = Telling.objects.select_related("slip__promise__job", "listener", "shop")
    return whole.defer("slip__promise__snapshot", "slip__promise__quote").get(pk=row.pk)


def _carry_out(telling: Telling, now: datetime) -> bool:
    untrue = _untrue(telling)
    if untrue or telling.tries > len(BACKOFF) + 1:  # the worker of the last try was stopped
        _save(telling, TellingState.GIVEN_UP, untrue or telling.error or "It was stopped.")
        return False
    try:
        _send(telling, now)
    except NotSent as why:
        last = telling.tries > len(BACKOFF)
        _save(telling, TellingState.GIVEN_UP if last else TellingState.WAITING, str(why))
        return False
    telling.sent_at = now
    _save(telling, TellingState.SENT, "")
    return True


def _untrue(telling: Telling) -> str:
    """Why a message is not true any more; empty where it is."""
    if telling.event == TellingEvent.BEGUN:
        return TOO_LATE if telling.slip.cleared_at is not None else ""
    stuck = JobOutlook.objects.filter(job=telling.slip.promise.job_id).exclude(why="")
    return NOT_SO if stuck.exists() else ""


def _save(telling: Telling, state: TellingState, error: str) -> None:
    telling.state, telling.error = state, error[:300]
    telling.save(update_fields=["state", "error", "sent_at"])


def _send(telling: Telling, now: datetime) -> None:
    message, listener = message_of(telling, now), telling.listener
    if listener.kind == ListenerKind.WEBHOOK:
        hook_send(listener, message, now)
    else:
        mail_send(listener, mail_subject(message), mail_text(telling.shop, message), message["id"])


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
