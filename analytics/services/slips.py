"""A promise that slips: when that is so, what would save it, and when it is over.

It slips once its chance is below its confidence by what is worth acting on (`engine.risk`), and where its job cannot
be done any more, of which no chance can be told. The first is over when the chance is back near the confidence, the
second when the job can be done again, and both when the job is finished or cancelled, or the date was changed or taken
back. What goes to and fro is told of once: it slips again only `CALM` after it was safe.

That a job can be done again is told to those who were told that it cannot: they have told others, or stopped its work.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db import IntegrityError, transaction

from analytics.engine.risk import at_risk, safe_again
from analytics.models import Listener, Promise, Slip, SlipKind, Telling, TellingEvent, TellingState
from analytics.selectors.outlooks import slips_open, standing_promises
from analytics.services.saving import Saver
from shop.models import Shop

CALM = timedelta(hours=1)

TOO_LATE = "It was over before it could be told."


@dataclass(frozen=True)
class Standing:
    """How a job stands: probability to ISO 8601 finish, and the chance of its date.

    runs: 0: that cannot be said; why: then the reason, and what would change it.
    """

    quantiles: Mapping[str, str]
    chance: float | None
    runs: int
    why: str = ""


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
    begun = slips_open(shop)
    _end(begun, standing, found, now)
    new = []
    for promise in standing.values():
        one = found.get(promise.job_id)
        kind = _wrong_with(one, promise) if one else None
        if one is None or kind is None:
            continue
        said = [asdict(saver) for saver in savers.get(promise.pk, ())]
        slip = begun.get((promise.pk, kind))
        if slip is None:
            slip = _begin(promise, kind, one, said, now)
            new += [slip] if slip else []
        else:
            _keep_true(slip, one, said)
    return new


def _wrong_with(found: Standing, promise: Promise) -> SlipKind | None:
    if found.why:
        return SlipKind.STUCK
    return SlipKind.LATE if is_slipping(found, promise) else None


def _keep_true(slip: Slip, found: Standing, savers: list[dict[str, Any]]) -> None:
    """Keep what would help up to date while it slips; nobody is told anew."""
    if found.why != slip.why or (savers and savers != slip.savers):
        slip.why, slip.savers = found.why, savers or slip.savers
        slip.save(update_fields=["why", "savers"])


def _end(
    begun: Mapping[tuple[int, str], Slip],
    standing: Mapping[int, Promise],
    found: Mapping[int, Standing],
    now: datetime,
) -> None:
    for (key, _), slip in begun.items():
        promise = standing.get(key)
        one = found.get(promise.job_id) if promise else None
        if promise is not None and (one is None or not _is_over(slip, one, promise)):
            continue
        ended = Slip.objects.filter(pk=slip.pk, cleared_at=None).update(cleared_at=now)
        if ended and promise is not None and slip.kind == SlipKind.STUCK:  # else another worker was quicker
            _tell_over(slip, now)


def _is_over(slip: Slip, found: Standing, promise: Promise) -> bool:
    if slip.kind == SlipKind.STUCK:
        return not found.why
    return found.chance is not None and safe_again(found.chance, promise.confidence)


def _begin(
    promise: Promise, kind: SlipKind, found: Standing, savers: list[dict[str, Any]], now: datetime
) -> Slip | None:
    """A new slip with a message to each who asked; None if it was safe only just now, or somebody has begun it."""
    if Slip.objects.filter(promise=promise, kind=kind, cleared_at__gt=now - CALM).exists():
        return None
    shop = promise.shop
    facts = {"noticed_at": now, "chance": found.chance or 0.0, "savers": savers, "why": found.why}
    try:
        with transaction.atomic():
            slip = Slip.objects.create(shop=shop, promise=promise, kind=kind, **facts)
    except IntegrityError:  # another worker was quicker
        return None
    who = Listener.objects.of(shop).filter(active=True)
    Telling.objects.bulk_create(Telling(shop=shop, slip=slip, listener=one, next_try_at=now) for one in who)
    return slip


def _tell_over(slip: Slip, now: datetime) -> None:
    """A message that it is over to each who was told that it began, or may have been: a try may have arrived.

    Whoever was not is told neither. The rows are held meanwhile, so that no worker sends the first message now.
    """
    told = Telling.objects.filter(slip=slip, event=TellingEvent.BEGUN).select_for_update()
    for one in told:
        if one.state == TellingState.WAITING and one.tries == 0:
            one.state, one.error = TellingState.GIVEN_UP, TOO_LATE
            one.save(update_fields=["state", "error"])
        elif one.state != TellingState.GIVEN_UP:
            Telling.objects.create(
                shop_id=slip.shop_id,
                slip=slip,
                listener_id=one.listener_id,
                event=TellingEvent.OVER,
                next_try_at=now,
            )
