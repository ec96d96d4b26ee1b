"""What a shop that shares its learning says to the others, and what they say to it.

Other shops are read here and nowhere else, and nothing of theirs but what `published` lets out goes any further.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass

from analytics.engine.across import FEWEST_SHOPS, Published, published
from analytics.engine.features import INTERCEPT, LOG, NEW, SHARE, SIZE
from analytics.engine.state import State
from analytics.engine.trade import Part
from analytics.models import ModelState
from jobs.models import Driver
from shop.models import Shop

PartKey = tuple[str, Part]


def published_of(shop: Shop) -> list[Published]:
    """All that leaves this shop where it shares, in the order of kinds and parts."""
    rows = ModelState.objects.of(shop).order_by("kind__key", "part")
    said = (published(State.from_dict(row.state)) for row in rows)
    return [one for one in said if one is not None]


def said_by_others(shop: Shop) -> dict[PartKey, list[Published]]:
    """What the other shops that share say, by kind and part; nothing tells which of them said what."""
    said: dict[PartKey, list[Published]] = defaultdict(list)
    for other in Shop.objects.filter(shares_learning=True).exclude(pk=shop.pk).order_by("pk"):
        for one in published_of(other):
            said[one.kind, one.part].append(one)
    return dict(said)


def others_sharing(shop: Shop) -> int:
    """How many other shops here share."""
    return Shop.objects.filter(shares_learning=True).exclude(pk=shop.pk).count()


def enough(said: Mapping[PartKey, list[Published]]) -> dict[PartKey, list[Published]]:
    """The parts of which enough shops say something."""
    return {part: of for part, of in said.items() if len(of) >= FEWEST_SHOPS}


@dataclass(frozen=True)
class Coefficient:
    """One published number in words. factor: what it multiplies minutes by. sd: how sure it is, log units."""

    words: str
    factor: float
    sd: float


def coefficients_of(said: Published, shop: Shop) -> list[Coefficient]:
    """The published coefficients of one part, in words for the shop that publishes them."""
    names = dict(Driver.objects.of(shop).filter(stock=True).values_list("key", "name"))
    rows = zip(said.features, said.mean, said.sds, strict=True)
    return [Coefficient(_words(name, names), math.exp(mean), sd) for name, mean, sd in rows]


def _words(feature: str, names: Mapping[str, str]) -> str:
    if feature.startswith(SHARE):
        return f"Of it, {feature.removeprefix(SHARE)}"
    if feature.startswith(LOG):
        driver = feature.removeprefix(LOG)
        return f"Growing with {names.get(driver, driver).lower()}"
    return {INTERCEPT: "Minutes against the default", SIZE: "Growing with size", NEW: "Somebody new at it"}[
        feature
    ]
