"""What the clock says of each driver at each kind of stage: on how many records, and how it moves the minutes."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any

from django.db.models import Count, Q

from analytics.engine.trade import PARTS, TYPICAL, defaults_for
from analytics.models import Sample
from analytics.selectors.models import Learned
from jobs.models import Driver, StageKind
from shop.models import Shop

LATEST = 1000
"""The latest samples of a shop, which say how large its stages usually are."""

MORE = 1.1
"""How much more of a quantity the effect is stated for."""

VISIBLE = 0.005
"""The least share of the minutes that is called an effect."""

SHARES = frozenset({"small_share"})
"""Quantities from 0 to 1, whose effect is stated between none and all."""

Values = Mapping[str, float]
Pair = tuple[int, int]
"""The keys in the database of a stage kind and a driver."""


@dataclass(frozen=True)
class Effect:
    """What is known of one driver at one kind of stage.

    n: finished stages that had it, of those learned from. short: for a cell of a table, as '+7 %'; words: the same
    in a sentence.
    """

    n: int
    short: str
    words: str


@dataclass(frozen=True)
class _Usual:
    """A usual stage of a kind: its drivers, and the words that its categories have had."""

    drivers: Values
    words: Mapping[str, Sequence[str]]


def effects_of(
    shop: Shop, kinds: Sequence[StageKind], drivers: Sequence[Driver], known: Learned
) -> dict[Pair, Effect]:
    """The effect of each driver at each kind of stage, at a stage of that kind as they usually are."""
    counts, usual = record_counts(shop, drivers), _usual(shop)
    none = _Usual(TYPICAL, {})
    return {
        (kind.pk, driver.pk): _effect(
            kind, driver, counts.get((kind.pk, driver.pk), 0), usual.get(kind.pk, none), known
        )
        for kind in kinds
        for driver in drivers
    }


def record_counts(shop: Shop, drivers: Sequence[Driver]) -> dict[Pair, int]:
    """On how many samples that are learned from each kind has each driver. One query."""
    if not drivers:
        return {}
    wanted = {
        f"n{driver.pk}": Count(
            "pk",
            filter=Q(categories__has_key=driver.key)
            if driver.is_category
            else Q(drivers__has_key=driver.key),
        )
        for driver in drivers
    }
    rows = Sample.objects.of(shop).filter(used=True).order_by().values("kind").annotate(**wanted)
    named = rows.values_list("kind", *wanted)
    return {
        (kind, driver.pk): n for kind, *counts in named for driver, n in zip(drivers, counts, strict=True)
    }


def _usual(shop: Shop) -> dict[int, _Usual]:
    """Kind to the middle of each driver in its latest samples, and to the words of each category."""
    numbers: dict[int, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    words: dict[int, dict[str, dict[str, None]]] = defaultdict(lambda: defaultdict(dict))
    latest = Sample.objects.of(shop).filter(used=True).order_by("-finished_at", "-pk")
    for kind, drivers, categories in latest.values_list("kind", "drivers", "categories")[:LATEST]:
        for key, number in drivers.items():
            numbers[kind][key].append(number)
        for key, word in categories.items():
            words[kind][key][word] = None
    return {
        kind: _Usual(
            {key: median(values) for key, values in mine.items()},
            {key: sorted(found) for key, found in words[kind].items()},
        )
        for kind, mine in numbers.items()
    }


def _effect(kind: StageKind, driver: Driver, n: int, usual: _Usual, known: Learned) -> Effect:
    if n == 0:
        formula = {key for part in PARTS for key in defaults_for(kind.key, part).drivers}
        if driver.key not in formula:
            return Effect(0, "–", "not given with any finished stage yet")
    if driver.is_category:
        return _effect_of_words(kind, driver, n, usual, known)
    steps = _steps(driver, usual.drivers)
    ratio = _ratio(*(_minutes(kind, {**usual.drivers, driver.key: step}, {}, known) for step in steps))
    how = _how(driver)
    if abs(ratio - 1.0) < VISIBLE:
        return Effect(n, "none", "no visible effect so far" if n else "no effect by the trade's formula")
    end = "" if n else ", by the trade's formula"
    said = f"{_percent(ratio)} {'longer' if ratio > 1.0 else 'shorter'}"
    return Effect(n, _signed(ratio), f"{how} makes it {said}{end}")


def _steps(driver: Driver, usual: Values) -> tuple[float, float]:
    """The two values between which a driver's effect is stated."""
    if driver.is_yes_no or driver.key in SHARES:
        return 0.0, 1.0
    here = usual.get(driver.key) or TYPICAL.get(driver.key, 1.0)
    return here, MORE * here


def _how(driver: Driver) -> str:
    if driver.is_yes_no:
        return "“yes”"
    return "all instead of none" if driver.key in SHARES else "10 % more"


def _effect_of_words(kind: StageKind, driver: Driver, n: int, usual: _Usual, known: Learned) -> Effect:
    """The longest of the words that stages had lately, against the shortest."""
    minutes = {
        word: _minutes(kind, usual.drivers, {driver.key: word}, known)
        for word in usual.words.get(driver.key, ())
    }
    if len(minutes) < 2:
        return Effect(n, "one word", "all stages have had the same word")
    low, high = min(minutes, key=lambda w: minutes[w]), max(minutes, key=lambda w: minutes[w])
    ratio = _ratio(minutes[low], minutes[high])
    if abs(ratio - 1.0) < VISIBLE:
        return Effect(n, "none", "no visible effect so far")
    return Effect(n, _signed(ratio), f"“{high}” takes {_percent(ratio)} longer than “{low}”")


def _minutes(kind: StageKind, drivers: Values, categories: Mapping[str, str], known: Learned) -> float:
    """The middle of the forecast, minutes; of both parts where the kind has both."""
    parts: Iterable[Any] = (
        known.forecast(kind.key, part, drivers, categories).quantile(0.5)
        for part in PARTS
        if known.state(kind.key, part).n or defaults_for(kind.key, part).usual
    )
    return float(sum(parts))


def _ratio(before: float, after: float) -> float:
    return after / before if before > 0 else 1.0


def _percent(ratio: float) -> str:
    change = abs(ratio - 1.0) * 100
    return f"{change:.1f} %" if change < 1.95 else f"{change:.0f} %"


def _signed(ratio: float) -> str:
    return f"{'+' if ratio > 1.0 else '−'}{_percent(ratio)}"
