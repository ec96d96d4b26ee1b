"""How true the odds were at which dates were given, and how far ahead and how early they were."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

from analytics.engine.ledger import EDGES, Part, coverage, median, parts
from analytics.engine.quality import Coverage
from analytics.selectors.following import levels_of
from analytics.selectors.ledger import Entry, month_of
from shop.models import Shop
from shop.words import say_confidence

MOST_MONTHS = 12


@dataclass(frozen=True)
class Group:
    """Dates that have passed: as first given, with their interval; and of those as last agreed, how many were kept."""

    name: str
    first: Coverage
    agreed_kept: int
    agreed: int


@dataclass(frozen=True)
class Section:
    """Groups that together are all dates."""

    key: str
    title: str
    noun: str
    groups: tuple[Group, ...]


@dataclass(frozen=True)
class Standing:
    """All that the ledger's figures say. Minutes of opening hours, or elapsed where the shop has none.

    every: all dates that have passed; None for none. parts: finishes by the part of their forecast; none where no
    distribution was kept with any. lead, lead_open: how far ahead a date was, the middle one, elapsed and open. early,
    late: by how much, of the kept and of the broken, the middle one; day_early: how many of the kept were a working
    day early or more.
    """

    every: Group | None
    sections: tuple[Section, ...]
    parts: tuple[Part, ...]
    placed: int
    lead: float | None
    lead_open: float | None
    early: float | None
    late: float | None
    day_early: int
    waiting: int


WORKING_DAY = 480.0
"""Minutes."""


def standing(shop: Shop, entries: Sequence[Entry], now: datetime) -> Standing:
    """The figures of these dates, judged at `now`: those that have passed, whatever became of them."""
    first = [one for one in entries if one.judged.first is not None]
    agreed = [one for one in entries if one.judged.agreed is not None]
    placed = [place for one in first if (place := _placed(one, now)) is not None]
    early = [-one.off for one in first if one.judged.first and one.off is not None]
    late = [one.off for one in first if not one.judged.first and one.off is not None]
    leads = [one.lead_open for one in first if one.lead_open is not None]
    return Standing(
        every=_group(shop, "All dates", first, agreed) if first else None,
        sections=tuple(_sections(shop, first, agreed)),
        parts=parts(placed) if placed else (),
        placed=len(placed),
        lead=median([one.lead_min for one in first]),
        lead_open=median(leads),
        early=median(early),
        late=median(late),
        day_early=sum(minutes >= WORKING_DAY for minutes in early),
        waiting=sum(
            one.promise.promised_at > now and one.outcome.value in ("open", "kept") for one in entries
        ),
    )


def _sections(shop: Shop, first: Sequence[Entry], agreed: Sequence[Entry]) -> list[Section]:
    def by(
        key: str, title: str, noun: str, of: Callable[[Entry], tuple[object, str]], most: int = 99
    ) -> Section:
        names = dict(sorted({of(one) for one in first}, key=str)[-most:])
        groups = [
            _group(
                shop,
                name,
                [one for one in first if of(one)[0] == value],
                [one for one in agreed if of(one)[0] == value],
            )
            for value, name in names.items()
        ]
        return Section(key, title, noun, tuple(groups))

    def month(one: Entry) -> tuple[object, str]:
        return month_of(shop, one), f"{shop.local(one.promise.promised_at):%B %Y}"

    return [
        by("odds", "By the odds that were said", "Said", _odds),
        by("rush", "Rush or not", "Given", _rush),
        by("type", "By job type", "Job type", lambda one: (one.job.job_type.name, one.job.job_type.name)),
        by("month", "By month of the date", "Month", month, MOST_MONTHS),
    ]


def _odds(one: Entry) -> tuple[object, str]:
    said = say_confidence(one.promise.confidence)
    return one.promise.confidence, said[0].upper() + said[1:]


def _rush(one: Entry) -> tuple[object, str]:
    return one.promise.put_first, "As a rush" if one.promise.put_first else "In its turn"


def _group(shop: Shop, name: str, first: Sequence[Entry], agreed: Sequence[Entry]) -> Group:
    found = coverage(
        [bool(one.judged.first) for one in first],
        [one.promise.confidence for one in first],
        [_week(shop, one.promise.promised_at) for one in first],
    )
    return Group(name, found, sum(bool(one.judged.agreed) for one in agreed), len(agreed))


def _week(shop: Shop, at: datetime) -> int:
    return (shop.local(at).date().toordinal() - 1) // 7


def _placed(one: Entry, now: datetime) -> int | None:
    """The part of its forecast, by EDGES, in which a finish fell; None where it is not known, or may yet be another."""
    kept = dict(levels_of(one.promise.quantiles))
    inner = EDGES[1:-1]
    if not all(level in kept for level in inner) or kept[inner[-1]] > now:
        return None
    return sum(one.finished is None or kept[level] < one.finished for level in inner)
