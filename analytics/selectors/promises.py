"""How the dates given so far turned out, in two numbers."""

from __future__ import annotations

from django.utils import timezone

from analytics.models import Promise
from analytics.selectors.ledger import passed_dates
from shop.models import Shop


def promises_kept(shop: Shop) -> tuple[int, int]:
    """How many of the dates that have passed were kept as first given, and how many have passed: the ledger's rule."""
    passed = passed_dates(Promise.objects.of(shop), timezone.now())
    return sum(one.kept for one in passed), len(passed)
