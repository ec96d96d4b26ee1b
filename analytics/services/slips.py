"""A promise that slips: when that is so, what would save it, and when it is over.

It slips once its chance is below its confidence by what is worth acting on (`engine.risk`). It is over when the chance
is back near the confidence, the job is finished or cancelled, or the date was changed or taken back. A date that goes
to and fro is told of once: it slips again only `CALM` after it was safe.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db import IntegrityError, transaction

from analytics.engine.risk import at_risk, safe_again
from analytics.models import Listener, Promise, Slip, Telling
from analytics.selectors.outlooks import slipping, standing_promises
from analytics.services.saving import Saver
from shop.models import Shop

CALM = timedelta(hours=1)


@dataclass(frozen=True)
class Standing:
    """How a job stands: probability to ISO 8601 finish, and the chance of its date. runs: 0: that cannot be said."""

    quantiles: Mapping[str, str]
    chance: float | None
    runs: int


def is_slipping(found: Standing, promise: Promise) -> bool:
    """Whether the chance is below the promise's confidence by what is worth acting on."""
    return found.chance is not None and at_risk(found.chance, promise.confidence, found.runs)


def slips_settle(
    shop: Shop,
    now: datetime,
    found: Mapping[int, Standing],
    promises: Mapping[int, Promise],
    savers: Mapping[int, Sequence[Saver]],
) -> list[Slip]:
    """End the slips that are over and begin those that are new, inside the caller's transaction; the new ones.

    found: by the job's key. promises: those that stood when that was worked out, by the job's key.
    """
    here = standing_promises(shop)
    standing = {p.pk: p for key, p in promises.items() if key in here and here[key].pk == p.pk}
    begun = slipping(shop)
    _end(begun, standing, found, now)
    new = []
    for promise in standing.values():
        chance = found.get(promise.job_id)
        if chance is None or not is_slipping(chance, promise):
            continue
        said = [asdict(one) for one in savers.get(promise.pk, ())]
        slip = begun.get(promise.pk)
        if slip is None:
            slip = _begin(shop, promise, chance.chance, said, now)
            new += [slip] if slip else []
        elif said and said != slip.savers:
            slip.savers = said
            slip.save(update_fields=["savers"])
    return new


def _end(
    begun: Mapping[int, Slip],
    standing: Mapping[int, Promise],
    found: Mapping[int, Standing],
    now: datetime,
) -> None:
    for key, slip in begun.items():
        promise = standing.get(key)
        one = found.get(promise.job_id) if promise else None
        chance = one.chance if one is not None else None
        if promise is None or (chance is not None and safe_again(chance, promise.confidence)):
            slip.cleared_at = now
            slip.save(update_fields=["cleared_at"])


def _begin(
    shop: Shop, promise: Promise, chance: float | None, savers: list[dict[str, Any]], now: datetime
) -> Slip | None:
    """A new slip with a message to each who asked; None if it was safe only just now, or somebody has begun it."""
    if Slip.objects.filter(promise=promise, cleared_at__gt=now - CALM).exists():
        return None
    try:
        with transaction.atomic():
            slip = Slip.objects.create(
                shop=shop, promise=promise, noticed_at=now, chance=chance or 0.0, savers=savers
            )
    except IntegrityError:  # another worker was quicker
        return None
    who = Listener.objects.of(shop).filter(active=True)
    Telling.objects.bulk_create(Telling(shop=shop, slip=slip, listener=one, next_try_at=now) for one in who)
    return slip
