"""Holds whose beginning nobody clocked."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import datetime, timedelta

from jobs.clock.events import Facts, HoldFact
from jobs.clock.results import Span, StageFold


def derive_holds(
    stages: dict[int, StageFold], begun: Mapping[int, datetime], facts: Facts
) -> dict[int, Span]:
    """The holds of any length that lie from the last finish before them, until one that follows begins.

    They last their fixed minutes, or until somebody pressed that they are over. A derived hold is 'finished' at its
    end, which may lie ahead. `stages` gets their states. begun: when each stage that follows one began.
    """
    spans = {}
    open_ended = {key for key in facts.holds if _began_unseen(stages.get(key))}
    moved = True
    while moved:  # a hold may follow a hold
        moved = False
        for key in sorted(open_ended):
            hold = facts.holds[key]
            begin = _last_finish(stages, hold.before)
            end = _hold_end(_finish_of(stages, key), hold, begin, begun) if begin else None
            if begin is None or end is None:
                continue
            known = stages.get(key, StageFold())
            stages[key] = replace(known, state="finished", started_at=begin, finished_at=end)
            if end > begin:
                spans[key] = Span(key, "hold", begin, end)
            open_ended.discard(key)
            moved = True
    return spans


def _began_unseen(hold: StageFold | None) -> bool:
    """Whether nothing of a hold was clocked but, at most, that it is over."""
    if hold is None or hold.state == "waiting":
        return True
    return hold.state == "finished" and hold.started_at == hold.finished_at


def _hold_end(
    pressed: datetime | None, hold: HoldFact, begin: datetime, begun: Mapping[int, datetime]
) -> datetime | None:
    """When a hold that began at `begin` is over; None if that is not known, or was before it began."""
    if pressed is not None:
        end = pressed
    elif hold.minutes is not None:
        end = begin + timedelta(minutes=hold.minutes)
    else:
        return None
    cut = min([end, *(begun[one] for one in hold.after if one in begun)])
    return None if pressed is not None and pressed <= begin else max(begin, cut)


def _last_finish(stages: Mapping[int, StageFold], keys: Iterable[int]) -> datetime | None:
    """The latest finish of these stages; None unless all are finished."""
    ends = [_finish_of(stages, one) for one in keys]
    known = [end for end in ends if end is not None]
    return max(known) if known and len(known) == len(ends) else None


def _finish_of(stages: Mapping[int, StageFold], key: int) -> datetime | None:
    return stages[key].finished_at if key in stages else None
