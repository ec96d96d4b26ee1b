"""The level at which dates are read off, so that the shop's confidence holds."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from django.db import transaction
from django.db.models import F
from django.utils import timezone

from analytics.engine.following import follow
from analytics.selectors.following import finish_places
from shop.models import Shop


def level_for(shop: Shop, confidence: float, now: datetime | None = None) -> float:
    """The level of the forecast at which a date is read off that shall hold with `confidence`, 0..1.

    The confidence itself unless the shop lets its dates follow the past and enough of them have passed. now: what was
    known then; the present where it is left out. Two queries where the shop follows, otherwise none.
    """
    return levels_for(shop, [confidence], now)[confidence]


def levels_for(shop: Shop, confidences: Iterable[float], now: datetime | None = None) -> dict[float, float]:
    """`level_for` of several confidences, for the queries of one."""
    wanted = list(confidences)
    if not shop.confidence_follows:
        return {confidence: confidence for confidence in wanted}
    places = finish_places(shop, now or timezone.now())
    return {confidence: follow(places, confidence).level for confidence in wanted}


def follow_set(shop: Shop, on: bool) -> None:
    """Let the dates to come follow how often those before them were kept, or not. Dates already given stay."""
    with transaction.atomic():
        Shop.objects.filter(pk=shop.pk).update(confidence_follows=on, revision=F("revision") + 1)
    shop.confidence_follows = on
