"""What is told of a slip, in words: the e-mail's subject and text, and chances. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any

from shop.models import Shop
from shop.words import say_confidence, say_instant

SLIPPING, IMPOSSIBLE, POSSIBLE = "promise.slipping", "promise.impossible", "promise.possible"
"""What a message is of: a date that may be late, a job that cannot be done, and one that can be done again."""

_SAID = {
    SLIPPING: "may be late",
    IMPOSSIBLE: "cannot be done as things stand",
    POSSIBLE: "can be done again",
}
NAMED = 6
"""Jobs that a subject names of each kind."""

Message = Mapping[str, Any]


def mail_subject(messages: Sequence[Message]) -> str:
    """'Job 12 may be late: Crate labels'; of several '3 jobs may be late: 12, 14 and 15'. No line break in it."""
    if len(messages) == 1:
        (one,) = messages
        return (
            f"Job {one['job']['number']} {_SAID[one['event']]}: {' '.join(str(one['job']['title']).split())}"
        )
    by_event = {event: [one for one in messages if one["event"] == event] for event in _SAID}
    said = "; ".join(_counted(event, mine) for event, mine in by_event.items() if mine)
    return said[:1].upper() + said[1:]


def _counted(event: str, messages: Sequence[Message]) -> str:
    """'job 12 may be late', '3 jobs may be late: 12, 14 and 15'."""
    numbers = sorted(one["job"]["number"] for one in messages)
    if len(numbers) == 1:
        return f"job {numbers[0]} {_SAID[event]}"
    shown = [str(number) for number in numbers[:NAMED]]
    more = f"{len(numbers) - NAMED} more" if len(numbers) > NAMED else shown.pop()
    return f"{len(numbers)} jobs {_SAID[event]}: {', '.join(shown)} and {more}"


def mail_text(shop: Shop, messages: Sequence[Message]) -> str:
    """The same messages in words: what may be late first, each kind by its dates."""
    order = list(_SAID)
    rows = sorted(messages, key=lambda one: (order.index(one["event"]), one["promised_at"], one["slip"]))
    parts = ["\n".join(_lines(shop, one)) for one in rows]
    if shop.address:
        parts.append(f"{shop.address.rstrip('/')}/watch/")
    return "\n\n".join(parts) + "\n"


def _lines(shop: Shop, message: Message) -> Iterator[str]:
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
