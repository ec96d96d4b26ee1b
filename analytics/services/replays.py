"""Replays of the past in the background, played in rounds.

A round is so many futures of both shops under a seed of its own, so that a replay that is taken up again, by whichever
worker, plays the rounds that are missing and comes to the same answer.
"""

from __future__ import annotations

import base64
import io
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from time import monotonic
from typing import Any

import numpy as np
from django.utils import timezone

from analytics.engine.replay import Played, play
from analytics.engine.shop_changes import ShopChange, from_json, to_json
from analytics.engine.simulate import HorizonTooShort
from analytics.engine.work import OpenWork
from analytics.models import Replay, RunState
from analytics.selectors.past_shop import PastShop
from analytics.selectors.refusals import REFUSALS, refusal_said
from analytics.selectors.replays import FEWEST, jobs_in, past_shop
from analytics.services.long_work import LongWorks
from analytics.services.replay_results import Pair, result_of
from shop.errors import BadInput
from shop.models import Shop, User

KEPT = 20
"""So many of a shop's newest replays are kept."""

ROUNDS, RUNS = 8, 25
"""Two hundred futures: what their number leaves open is small beside what another quarter would bring."""

LONGEST = 370
"""Days, at most, that are played again."""

THREADS = 2


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
    REPLAYS.check_free(shop)
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


def _said(problem: Exception) -> str | None:
    if isinstance(problem, HorizonTooShort):
        return (
            "In the changed shop the work of these days is not done within two years. Leave it more people, machines "
            "or hours."
        )
    if isinstance(problem, BadInput):
        return problem.message
    return refusal_said(problem) if isinstance(problem, REFUSALS) else None


def _carried_on(replay: Replay, seconds: float) -> bool:
    until = monotonic() + seconds
    found = past_shop(replay.shop, replay.starts_on, replay.ends_on, replay.asked_at)
    changes = from_json(replay.changes)
    if not found.past().scored.any():
        why = found.left_out[0].why if found.left_out else "They were taken away meanwhile."
        raise BadInput(f"None of these jobs can be played again. {why}")
    works = found.work(), found.work(changes)
    digest = f"{works[0].book().digest} {works[1].book().digest}"
    if replay.result.get("digest") != digest:  # not begun, or the shop has changed since
        REPLAYS.keep(replay, done=0, result={"digest": digest, "rounds": []})
    while replay.done < replay.total:
        pair = [_round(found, work, replay) for work in works]
        kept = {"digest": digest, "rounds": [*replay.result["rounds"], [_packed(one) for one in pair]]}
        rests = monotonic() >= until and replay.done + 1 < replay.total
        REPLAYS.keep(
            replay, done=replay.done + 1, result=kept, state=RunState.WANTED if rests else RunState.RUNNING
        )
        if rests:
            return True
    rounds = [[_unpacked(one) for one in pair] for pair in replay.result["rounds"]]
    both = Pair([pair[0] for pair in rounds], [pair[1] for pair in rounds])
    said = result_of(found, changes, both, replay.seed)
    REPLAYS.keep(replay, state=RunState.DONE, result=said, ended_at=timezone.now())
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


REPLAYS = LongWorks(Replay, "replay", _carried_on, _said)
"""What replays have in common with other long work."""
