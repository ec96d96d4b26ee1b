"""Replays of the past in the background: wanted, played in rounds, stopped, taken up again.

A round is so many futures of both shops under a seed of its own, so that a replay that is taken up again, by whichever
worker, plays the rounds that are missing and comes to the same answer. Whoever works at one knows it by its beat, as
with walks and searches.
"""

from __future__ import annotations

import base64
import io
import logging
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import date, datetime, timedelta
from time import monotonic
from typing import Any

import numpy as np
from django.db import InterfaceError, OperationalError, transaction
from django.db.models import Q
from django.utils import timezone

from analytics.engine.replay import Played, play
from analytics.engine.shop_changes import ShopChange, from_json, to_json
from analytics.engine.simulate import HorizonTooShort
from analytics.engine.work import OpenWork
from analytics.models import Replay, RunState
from analytics.selectors.refusals import REFUSALS, refusal_said
from analytics.selectors.replays import FEWEST, PastShop, jobs_in, past_shop
from analytics.services.replay_results import Pair, result_of
from shop.errors import BadInput, ShopError
from shop.models import Shop, User

log = logging.getLogger(__name__)

SLICE = 8.0
"""Seconds that a replay has the worker; then what waits meanwhile has its turn."""

STALE = timedelta(seconds=60)
"""A replay whose beat is older has nobody at it any more."""

KEPT = 20
"""So many of a shop's newest replays are kept."""

ROUNDS, RUNS = 8, 25
"""Two hundred futures: what their number leaves open is small beside what another quarter would bring."""

LONGEST = 370
"""Days, at most, that are played again."""

THREADS = 2

UNDER_WAY = (RunState.WANTED, RunState.RUNNING)


class Lost(Exception):
    """The replay was stopped, deleted or taken over."""


def replay_want(
    shop: Shop,
    days: tuple[date, date],
    changes: Sequence[ShopChange],
    user: User | None,
    now: datetime,
) -> Replay:
    """A replay that waits for a worker.

    days: the first and the last that are scored. Raises BadInput for what makes no sense, ShopError while another is
    under way.
    """
    starts_on, ends_on = days
    if Replay.objects.of(shop).filter(state__in=UNDER_WAY).exists():
        raise ShopError("A replay is under way already. Wait for it, or stop it, and then begin another.")
    if ends_on < starts_on:
        raise BadInput("The last day lies before the first. Swap them.", field="ends_on")
    if (ends_on - starts_on).days >= LONGEST:
        raise BadInput("That is more than a year. Choose fewer days.", field="starts_on")
    if not changes:
        raise BadInput("Nothing is changed. Choose one thing at least that is to be different.")
    jobs = jobs_in(shop, starts_on, ends_on, now)
    if jobs < FEWEST:
        raise BadInput(
            f"Only {jobs} jobs came in on these days; a replay needs {FEWEST}. Choose an earlier first day.",
            field="starts_on",
        )
    made = Replay.objects.create(
        shop=shop,
        asked_at=now,
        asked_by=user,
        total=ROUNDS,
        starts_on=starts_on,
        ends_on=ends_on,
        changes=to_json(changes),
        seed=int(now.timestamp()),
    )
    kept = list(Replay.objects.of(shop).values_list("pk", flat=True)[:KEPT])
    Replay.objects.of(shop).exclude(pk__in=kept).delete()
    return made


def replay_stop(replay: Replay) -> None:
    """Let a replay rest where it is. Raises ShopError if it is not under way."""
    if not Replay.objects.filter(pk=replay.pk, state__in=UNDER_WAY).update(state=RunState.STOPPED):
        raise ShopError("This replay is not under way, so there is nothing to stop.")


def replay_go_on(replay: Replay) -> None:
    """Let a replay that rests or failed go on from where it was. Raises ShopError for any other."""
    others = Replay.objects.of(replay.shop).filter(state__in=UNDER_WAY)
    if others.exclude(pk=replay.pk).exists():
        raise ShopError("Another replay is under way. Wait for it, or stop it, and then let this one go on.")
    rests = Replay.objects.filter(pk=replay.pk, state__in=(RunState.STOPPED, RunState.FAILED))
    if not rests.update(state=RunState.WANTED, error=""):
        raise ShopError("This replay is under way or done, so it cannot go on.")


def replay_delete(replay: Replay) -> None:
    """Remove a replay; a worker that is at it leaves off."""
    replay.delete()


def replays_waiting(now: datetime) -> list[int]:
    """The replays that nobody has been at for a while."""
    since = now - STALE
    unheard = Q(beat_at__lt=since) | Q(beat_at=None, asked_at__lt=since)
    waiting = Replay.objects.filter(unheard, state__in=UNDER_WAY)
    return list(waiting.order_by("pk").values_list("pk", flat=True))


def replay_carry_on(replay_id: int, seconds: float = SLICE) -> bool:
    """Take a replay further for a while; whether there is more to do. Does nothing where somebody else is at it."""
    replay = _claimed(replay_id, timezone.now())
    if replay is None:
        return False
    try:
        return _carried_on(replay, seconds)
    except Lost:
        return False
    except (*REFUSALS, BadInput) as problem:
        _leave(replay, state=RunState.FAILED, error=_said(problem), ended_at=timezone.now())
    except (OperationalError, InterfaceError):
        raise  # the database is away: the sweep finds the replay when it is back
    except Exception as problem:
        log.exception("The replay %s broke off", replay_id)
        _leave(replay, state=RunState.FAILED, error=f"It broke off: {problem!r}", ended_at=timezone.now())
    return False


def _said(problem: Exception) -> str:
    if isinstance(problem, HorizonTooShort):
        return (
            "In the changed shop the work of these days is not done within two years. Leave it more people, machines "
            "or hours."
        )
    return refusal_said(problem)


def _carried_on(replay: Replay, seconds: float) -> bool:
    until = monotonic() + seconds
    found = past_shop(replay.shop, replay.starts_on, replay.ends_on, replay.asked_at)
    changes = from_json(replay.changes)
    works = found.work(), found.work(changes)
    digest = f"{works[0].book().digest} {works[1].book().digest}"
    if replay.result.get("digest") != digest:  # not begun, or the shop has changed since
        _keep(replay, done=0, result={"digest": digest, "rounds": []})
    while replay.done < replay.total:
        pair = [_round(found, work, replay) for work in works]
        kept = {"digest": digest, "rounds": [*replay.result["rounds"], [_packed(one) for one in pair]]}
        rests = monotonic() >= until and replay.done + 1 < replay.total
        _keep(replay, done=replay.done + 1, result=kept, state=RunState.WANTED if rests else RunState.RUNNING)
        if rests:
            return True
    rounds = [[_unpacked(one) for one in pair] for pair in replay.result["rounds"]]
    both = Pair([pair[0] for pair in rounds], [pair[1] for pair in rounds])
    said = result_of(found, changes, both, replay.seed)
    _keep(replay, state=RunState.DONE, result=said, ended_at=timezone.now())
    return False


def _round(found: PastShop, work: OpenWork, replay: Replay) -> Played:
    seed = replay.seed * ROUNDS + replay.done
    return play(work, runs=RUNS, seed=seed, span=found.span, pools=found.pools(), threads=THREADS)


def _packed(one: Played) -> dict[str, Any]:
    stream = io.BytesIO()
    np.savez_compressed(stream, finish=one.finish)
    text = base64.b64encode(stream.getvalue()).decode("ascii")
    return {"finish": text, "waited": dict(one.waited), "busy": dict(one.busy)}


def _unpacked(stored: Mapping[str, Any]) -> Played:
    with np.load(io.BytesIO(base64.b64decode(stored["finish"])), allow_pickle=False) as archive:
        return Played(archive["finish"], stored["waited"], stored["busy"])


def _claimed(replay_id: int, now: datetime) -> Replay | None:
    """The replay, if nobody is at it and it was got before anybody else."""
    free = Q(state=RunState.WANTED) | Q(state=RunState.RUNNING, beat_at__lt=now - STALE)
    replay = Replay.objects.filter(free, pk=replay_id).select_related("shop").first()
    if replay is None:
        return None
    mine = Replay.objects.filter(free, pk=replay_id, beat_at=replay.beat_at)
    replay.beat_at, replay.started_at = _next_beat(replay, now), replay.started_at or now
    taken = mine.update(state=RunState.RUNNING, beat_at=replay.beat_at, started_at=replay.started_at)
    return replay if taken else None


def _next_beat(replay: Replay, now: datetime) -> datetime:
    """Now, but never the beat before: a beat is a name as well."""
    return (
        now if replay.beat_at is None or now > replay.beat_at else replay.beat_at + timedelta(microseconds=1)
    )


def _keep(replay: Replay, **facts: Any) -> None:
    """Write facts of a replay that is still ours, and the next beat. Raises Lost."""
    with transaction.atomic():
        row = Replay.objects.select_for_update().filter(pk=replay.pk).only("beat_at", "state").first()
        if row is None or row.beat_at != replay.beat_at or row.state != RunState.RUNNING:
            raise Lost
        beat = _next_beat(replay, timezone.now())
        Replay.objects.filter(pk=replay.pk).update(beat_at=beat, **facts)
    replay.beat_at = beat
    for name, value in facts.items():
        setattr(replay, name, value)


def _leave(replay: Replay, **facts: Any) -> None:
    """Write with which facts a replay is left, if it is still ours."""
    with suppress(Lost):
        _keep(replay, **facts)
