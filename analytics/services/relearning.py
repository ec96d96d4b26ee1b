"""Learn a shop again whose kinds of stage depend on other drivers than before.

The samples are marked in the transaction that changes what they depend on, so no lost message can lose it: whoever
comes first, the message's task or the sweep, learns the shop again, and the marks go with the samples.
"""

from __future__ import annotations

from collections.abc import Collection

from django.db.models import F

from analytics.models import PooledState, Sample
from analytics.services.learning import learn_shop
from shop.models import Shop

OUTDATED = "outdated"
"""A digest that no stage has: the sample was made from other drivers than its stage depends on now."""


def outdate(shop: Shop, kind_ids: Collection[int]) -> int:
    """Mark the samples of these kinds of stage; how many. Call inside the transaction that makes it necessary."""
    marked = Sample.objects.of(shop).filter(kind__in=kind_ids).update(fold_digest=OUTDATED)
    # What another worker has just worked out, and not written yet, rests on the drivers before.
    PooledState.objects.of(shop).update(version=F("version") + 1)
    return marked


def is_outdated(shop: Shop) -> bool:
    """Whether the shop waits for being learned again."""
    return Sample.objects.of(shop).filter(fold_digest=OUTDATED).exists()


def relearn_outdated(shop: Shop) -> int:
    """Learn the shop from the beginning if it waits for that; how many samples there are then, else 0."""
    return learn_shop(shop) if is_outdated(shop) else 0


def relearn_all() -> int:
    """`relearn_outdated` for each shop."""
    return sum(relearn_outdated(shop) for shop in Shop.objects.order_by("pk"))
