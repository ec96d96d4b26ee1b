"""What is told of a slip, in words: the e-mail's subject and text, and chances. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any

from shop.models import Shop
from shop.words import say_confidence, say_instant

SLIPPING, IMPOSSIBLE, POSSIBLE = "promise.slipping", "promise.impossible", "promise.possible"
"""What a message is of: a date that may be late, a job that cannot be done, and one that can be done again."""

_SUBJECTS = {
    SLIPPING: "may be late",
    IMPOSSIBLE: "cannot be done as things stand",
    POSSIBLE: "can be done again",
}


def mail_subject(message: Mapping[str, Any]) -> str:
    """'Job 12 may be late: Crate labels'; a title has no line break in it."""
    title = " ".join(str(message["job"]["title"]).split())
    return f"Job {message['job']['number']} {_SUBJECTS[message['event']]}: {title}"


def mail_text(shop: Shop, message: Mapping[str, Any]) -> str:
    """The same message in words."""
    lines = list(_lines(shop, message))
    if shop.address:
        lines += ["", f"{shop.address.rstrip('/')}/watch/"]
    return "\n".join(lines) + "\n"


def _lines(shop: Shop, message: Mapping[str, Any]) -> Iterator[str]:
    today = shop.local(datetime.fromisoformat(message["sent_at"])).date()

    def said(at: str) -> str:
        return say_instant(shop.local(datetime.fromisoformat(at)), today)

    yield (
        f"Job {message['job']['number']}, {message['job']['title']}, was promised by {said(message['promised_at'])}, "
        f"to be kept {say_confidence(message['confidence'])}."
    )
    if message["event"] == IMPOSSIBLE:
        yield f"As the shop stands it cannot be done. {message['why']}"
        return
    if message["event"] == POSSIBLE:
        yield f"From {said(message['noticed_at'])} on it could not be done; now it can again."
    yield f"As things stand it is in time {say_chance(message['chance'])}."
    if message["likely_finish"]:
        yield f"Eight times in ten it is finished by {said(message['likely_finish'])}."
    if message["savers"]:
        yield ""
        yield "What would help:"
        yield from (saver_words(one) for one in message["savers"])


def say_chance(chance: float) -> str:
    """0.72 as 'about 7 times in ten'; what is nearly none or all says so."""
    tenths = round(chance * 10)
    if tenths == 0:
        return "hardly ever"
    return "nearly always" if tenths == 10 else f"about {tenths} time{'' if tenths == 1 else 's'} in ten"


def saver_words(saver: Mapping[str, Any]) -> str:
    """'- Put it first: in time about 9 times in ten (job 12 then about 6 times in ten)'."""
    if saver["what"] == "tell":
        return f"- {saver['words']}"
    harm = ", ".join(f"job {one['job']:.0f} then {say_chance(one['after'])}" for one in saver["harm"])
    return f"- {saver['words']}: in time {say_chance(saver['chance'])}{f' ({harm})' if harm else ''}"
