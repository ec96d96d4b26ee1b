"""Make everything that is derived again, from the clock events alone."""

from __future__ import annotations

from jobs.services.clock import fold_shop

from analytics.services.learning import Progress, learn_shop
from shop.models import Shop


def rebuild_shop(shop: Shop, progress: Progress = lambda text: None) -> int:
    """Fold all of a shop's events and learn all of its finished stages; how many samples there are."""
    progress("Folding the clock events")
    fold_shop(shop, announce=False)
    return learn_shop(shop, progress)
