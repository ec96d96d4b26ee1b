"""A quote file: what `manage.py promise` reads, and what it prints."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from math import isfinite
from typing import Any, TypeVar, cast

from django.db import transaction

from analytics.services.choices import jobs_to_ask, options_of
from analytics.services.choices_ways import Ways, ways_of
from analytics.services.promising import Outlook, promise_compute
from analytics.services.running_totals import Wish
from analytics.words.promise import say_breaks, say_later
from jobs.drivers import ItemSize
from jobs.models import Job, JobType
from jobs.services.jobs import job_create
from jobs.services.times import Times, Visit
from shop.errors import BadInput
from shop.models import Finish, InkBuild, Media, Process, Shop, ShopOwned

Row = TypeVar("Row", bound=ShopOwned)
Seen = TypeVar("Seen")

KNOWN = frozenset(
    {
        "job_type",
        "process",
        "finish",
        "media",
        "items",
        "drivers",
        "ready_from",
        "film_from",
        "visits",
        "confidence",
        "title",
        "customer",
    }
    | {"requested"}
)
MOST = 1e12
"""A number beyond this is none that anybody means."""
ITEM_KEYS = frozenset({"width_mm", "height_mm", "count", "name", "cut_m", "letter_mm", "ink_build"})

__all__ = ["Quote", "outlook_json", "quote_outlook", "quote_read", "quote_ways"]


@dataclass(frozen=True)
class Quote:
    """A quote as read: the arguments of `job_create`, and the confidence asked for (None: the shop's)."""

    facts: dict[str, Any]
    confidence: float | None


class _NotKept(Exception):
    """Ends the transaction in which a quote's job was only made to be looked at."""


def quote_read(shop: Shop, asked: object) -> Quote:
    """Check a quote. Raises BadInput naming the place and the remedy."""
    if not isinstance(asked, Mapping):
        raise BadInput('A quote is an object, as {"job_type": "…", "items": [{"width_mm": 600, …}]}.')
    unknown = sorted(set(asked) - KNOWN)
    if unknown:
        raise BadInput(
            f"Unknown: {', '.join(unknown)}. A quote has: {', '.join(sorted(KNOWN))}.", field=unknown[0]
        )
    process = _named(shop, Process, asked, "process")
    finish = _named(shop, Finish, asked, "finish")
    if finish is None and process is not None:
        finish = process.finishes.order_by("laminates", "name").first()
    job_type = _named(shop, JobType, asked, "job_type")
    if job_type is None:
        raise BadInput("The quote names no job_type.", field="job_type")
    facts = {
        "job_type": job_type,
        "process": process,
        "finish": finish,
        "media": _named(shop, Media, asked, "media"),
        "title": str(asked.get("title") or job_type.name),
        "customer_name": str(asked.get("customer") or ""),
        "items": [_item(item, i) for i, item in enumerate(_list(asked, "items"))],
        "drivers": _drivers(asked),
        "ready_from": _instant(shop, asked.get("ready_from"), "ready_from"),
        "times": Times(_instant(shop, asked.get("film_from"), "film_from"), _visits(shop, asked)),
        "requested": [str(key) for key in _list(asked, "requested")],
    }
    return Quote(facts, _confidence(asked.get("confidence")))


def quote_outlook(shop: Shop, quote: Quote, *, now: datetime, wish: Wish = Wish()) -> Outlook:  # noqa: B008
    """The outlook of a quote. Its job is made only to be looked at: nothing of it stays."""

    def look(job: Job) -> Outlook:
        return promise_compute(shop, job, now=now, confidence=quote.confidence, wish=wish)

    return _looked_at(shop, quote, look)


def quote_ways(shop: Shop, quote: Quote, *, now: datetime) -> Ways:
    """The ways in which a quote could be made. Its job is made only to be looked at: nothing of it stays."""
    return _looked_at(
        shop, quote, lambda job: ways_of(options_of(shop, job, now=now, confidence=quote.confidence))
    )


def _looked_at(shop: Shop, quote: Quote, look: Callable[[Job], Seen]) -> Seen:
    found: list[Seen] = []
    try:
        with transaction.atomic():
            job = job_create(shop=shop, **quote.facts)
            found.append(look(jobs_to_ask(shop).get(pk=job.pk)))
            raise _NotKept
    except _NotKept:
        return found[0]


def outlook_json(shop: Shop, outlook: Outlook) -> dict[str, Any]:
    """An outlook as `promise --json` prints it. Instants are ISO 8601 in the shop's zone, times minutes."""
    takes = outlook.materials

    def iso(instant: datetime) -> str:
        return shop.local(instant).isoformat()

    return {
        "finish": {f"{p:g}": iso(at) for p, at in outlook.dates.items()},
        "promise": {"at": iso(outlook.promised_at), "confidence": outlook.confidence},
        "stages": [
            {
                "stage": stage.name,
                "minutes": {"0.5": round(stage.p50, 2), "0.8": round(stage.p80, 2)},
                "clocked": stage.n,
                "trade_default": stage.is_default,
            }
            for stage in outlook.stages
        ],
        "media": takes.media or None,
        "media_length_m": takes.film_m,
        "ink_ml": takes.ink_ml,
        "cost": float(takes.cost) if takes.cost is not None else None,
        "cost_without": list(takes.unpriced),
        "currency": shop.currency,
        "drives": [
            {"stage": drive.stage, "cause": drive.cause, "minutes": round(drive.minutes, 2)}
            for drive in outlook.drives
        ],
        "harm": [
            {"job": harm.number, "kept_without": harm.before, "kept_with": harm.after}
            for harm in outlook.harm
        ],
        "made_at": iso(outlook.made_at),
        "seed": outlook.seed,
        "runs": outlook.runs,
        "backlog_digest": outlook.book.digest,
        "later_work": say_later(outlook.later),
        "breaks": say_breaks(outlook.people),
        "error_min": round(outlook.error_min, 1) if isfinite(outlook.error_min) else None,
        "level": outlook.level,
    }


def _named(shop: Shop, model: type[Row], asked: Mapping[str, Any], key: str) -> Row | None:
    name = asked.get(key)
    if name in (None, ""):
        return None
    rows = {str(row.name): cast("Row", row) for row in model.objects.of(shop)}  # type: ignore[attr-defined]
    for known, row in rows.items():
        if known.casefold() == str(name).casefold():
            return row
    raise BadInput(f"The shop has no {key} {name!r}. It has: {', '.join(sorted(rows)) or 'none'}.", field=key)


def _list(asked: Mapping[str, Any], key: str) -> list[Any]:
    found = asked.get(key) or []
    if not isinstance(found, list):
        raise BadInput(f"{key} is a list, not {found!r}.", field=key)
    return found


def _item(asked: object, index: int) -> ItemSize:
    place = f"items.{index}"
    if not isinstance(asked, Mapping):
        raise BadInput(
            f'Item {index + 1} is an object, as {{"width_mm": 600, "height_mm": 400}}.', field=place
        )
    unknown = sorted(set(asked) - ITEM_KEYS)
    if unknown:
        raise BadInput(
            f"Item {index + 1} has an unknown {unknown[0]!r}. It may have: {', '.join(sorted(ITEM_KEYS))}.",
            field=f"{place}.{unknown[0]}",
        )
    ink = asked.get("ink_build", InkBuild.COLOUR)
    if ink not in InkBuild.values:
        raise BadInput(
            f"Item {index + 1}: ink_build {ink!r} is none of {', '.join(InkBuild.values)}.",
            field=f"{place}.ink_build",
        )
    cut, letters = asked.get("cut_m"), asked.get("letter_mm")
    return ItemSize(
        width_mm=_number(asked.get("width_mm"), f"{place}.width_mm"),
        height_mm=_number(asked.get("height_mm"), f"{place}.height_mm"),
        count=_whole(asked.get("count", 1), f"{place}.count"),
        name=str(asked.get("name") or ""),
        cut_m=None if cut is None else _number(cut, f"{place}.cut_m"),
        ink_build=str(ink),
        letter_mm=None if letters is None else _number(letters, f"{place}.letter_mm"),
    )


def _number(value: object, place: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or abs(value) > MOST:
        raise BadInput(f"{place} is {value!r}. Give a number.", field=place)
    return float(value)


def _whole(value: object, place: str) -> int:
    number = _number(value, place)
    if not number.is_integer():
        raise BadInput(f"{place} is {value!r}. Give a whole number.", field=place)
    return int(number)


def _drivers(asked: Mapping[str, Any]) -> dict[str, Any]:
    found = asked.get("drivers") or {}
    if not isinstance(found, Mapping):
        raise BadInput(f'drivers is an object, as {{"height_m": 3}}, not {found!r}.', field="drivers")
    return dict(found)


def _visits(shop: Shop, asked: Mapping[str, Any]) -> list[Visit]:
    """The times at which the customer can be visited."""
    found = []
    for index, one in enumerate(_list(asked, "visits")):
        place = f"visits.{index}"
        if not isinstance(one, Mapping) or set(one) != {"from", "to"}:
            raise BadInput(
                f'Time {index + 1} is an object, as {{"from": "2027-03-01T09:00", "to": "2027-03-01T12:00"}}.',
                field=place,
            )
        start, end = (_instant(shop, one[name], f"{place}.{name}") for name in ("from", "to"))
        if start is None or end is None:
            raise BadInput(f"Time {index + 1} says no instant. Give both from and to.", field=place)
        found.append((start, end))
    return found


def _instant(shop: Shop, text: object, place: str) -> datetime | None:
    if text in (None, ""):
        return None
    try:
        instant = datetime.fromisoformat(str(text))
        if instant.tzinfo is None:
            instant = instant.replace(tzinfo=shop.zone)
        return instant.astimezone(UTC)
    except (ValueError, OverflowError):  # the year before the first, or after the last
        raise BadInput(
            f"{place} is {text!r}. Give an ISO 8601 instant, as 2027-03-01T08:00:00+00:00.", field=place
        ) from None


def _confidence(value: object) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < 1:
        raise BadInput(f"confidence is {value!r}. Give a number between 0 and 1, as 0.8.", field="confidence")
    return float(value)
