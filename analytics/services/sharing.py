"""Share what a shop has learned with the other shops here, and take what they say as a starting point.

What was taken is an input of the learning and changes only here, so that the same events and the same taken priors
always give the same rows.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from django.db import transaction
from django.db.models import F

from analytics.engine.across import FEWEST_SHOPS, prior_across, prior_to_dict
from analytics.engine.trade import PARTS
from analytics.models import AdoptedPrior, PooledState
from analytics.selectors.sharing import enough, said_by_others
from analytics.services.relearning import outdate
from jobs.models import StageKind
from shop.errors import ShopError
from shop.models import Shop


def sharing_set(shop: Shop, on: bool) -> None:
    """Let the shop share or not. A shop that no longer does gives back what it took, and must be learned again.

    What others took from it before stays with them until they take anew.
    """
    with transaction.atomic():
        Shop.objects.filter(pk=shop.pk).update(shares_learning=on, revision=F("revision") + 1)
        if not on and AdoptedPrior.objects.of(shop).exists():
            _replace(shop, [])
    shop.shares_learning = on


def prior_take(shop: Shop, now: datetime) -> int:
    """Take what the other sharing shops say, in place of what was taken before; of how many stage parts.

    All of it is written or nothing. The shop's samples are marked, so that it is learned again
    (`relearning.relearn_outdated`). Raises ShopError where the shop does not share or too few others do.
    """
    if not Shop.objects.filter(pk=shop.pk, shares_learning=True).exists():
        raise ShopError("Only a shop that shares can take from the others. Begin to share first.")
    rows = []
    for (kind, part), said in sorted(enough(said_by_others(shop)).items()):
        prior = prior_across(said)
        if prior is not None:
            stored = prior_to_dict(prior)
            rows.append(
                AdoptedPrior(shop=shop, kind_key=kind, part=part, prior=stored, shops=len(said), taken_at=now)
            )
    if not rows:
        raise ShopError(
            f"Nothing was taken. It needs at least {FEWEST_SHOPS} other shops that share and have finished enough "
            "stages of one kind."
        )
    with transaction.atomic():
        if not Shop.objects.select_for_update().get(pk=shop.pk).shares_learning:
            raise ShopError("The shop has stopped sharing meanwhile, so nothing was taken.")
        _replace(shop, rows)
    return len(rows)


def _replace(shop: Shop, rows: Sequence[AdoptedPrior]) -> None:
    """Put these in place of what was taken before, and mark all that was learned with it."""
    for part in PARTS:
        # A worker that learns the first stage just now sees by these rows that something changed.
        PooledState.objects.get_or_create(shop=shop, part=part)
    AdoptedPrior.objects.of(shop).delete()
    AdoptedPrior.objects.bulk_create(rows)
    outdate(shop, list(StageKind.objects.of(shop).values_list("pk", flat=True)))
