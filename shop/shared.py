"""Who is at a shared tablet: a name that was said, good for some minutes after the last press or page."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.contrib.sessions.backends.base import SessionBase
from django.http import HttpRequest

WHO, UNTIL = "person", "person_until"  # the session's keys: a person's key, and an instant in ISO 8601
_RENEW_AFTER = timedelta(seconds=15)  # the session is not written at every press


def say_who(session: SessionBase, person_id: int, minutes: int, now: datetime) -> None:
    """From now on it is this person, until `minutes` after the last press."""
    session[WHO] = person_id
    session[UNTIL] = (now + timedelta(minutes=minutes)).isoformat()


def say_nobody(session: SessionBase) -> None:
    """Nobody is at it; the next one says who they are."""
    for key in (WHO, UNTIL):
        session.pop(key, None)


def somebody(session: SessionBase) -> bool:
    """Whether it is known who is at it."""
    return session.get(WHO) is not None


def forget_if_over(session: SessionBase, now: datetime) -> None:
    """Forget who it was where their time is over.

    It is forgotten for this request and not written by it: a request in the background would otherwise write an old
    session over the one in which somebody has just said who they are.
    """
    until = session.get(UNTIL)
    if WHO in session and (until is None or datetime.fromisoformat(until) <= now):
        written = session.modified
        say_nobody(session)
        session.modified = written


def renew(session: SessionBase, minutes: int, now: datetime) -> None:
    """Give whoever is at it the whole time again; a time that is over stays over."""
    until = now + timedelta(minutes=minutes)
    if somebody(session) and datetime.fromisoformat(session[UNTIL]) + _RENEW_AFTER < until:
        session[UNTIL] = until.isoformat()


def in_background(request: HttpRequest) -> bool:
    """Whether a page's script asks, and nobody opened or sent anything: a part, a file, an answer for programs.

    Browsers say so themselves (Fetch Metadata) where the connection is secure; elsewhere a page's parts say it by
    X-Part, and files by an address that does not end in a slash.
    """
    return (
        "X-Part" in request.headers
        or request.headers.get("Sec-Fetch-Mode", "navigate") != "navigate"
        or not request.path.endswith("/")
    )
