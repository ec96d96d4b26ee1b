"""Networks of stages: circles, order, what is left when stages are left out, and what may begin.

Pure functions over anything with a key; the rows of `Stage` and `StageEdge` fit as they are.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Protocol

FINISH = "finish"
ATTENDED = "attended"


class EdgeLike(Protocol):
    """An arrow between two stages, by their keys: a `StageEdge`, a `RouteEdge` or a `Link`."""

    @property
    def before_id(self) -> int: ...
    @property
    def after_id(self) -> int: ...
    @property
    def kind(self) -> str: ...
    @property
    def lag_min(self) -> int: ...


class StageLike(Protocol):
    """A stage of a job's route."""

    @property
    def pk(self) -> int: ...
    @property
    def left_out(self) -> bool: ...


class ClockedStage(StageLike, Protocol):
    """A stage of which the clock has something to say."""

    @property
    def state(self) -> str: ...
    @property
    def finished_at(self) -> datetime | None: ...


@dataclass(frozen=True, order=True)
class Link:
    """An arrow: `after_id` may begin `lag_min` minutes after the moment `kind` of `before_id`."""

    before_id: int
    after_id: int
    kind: str = FINISH
    lag_min: int = 0


def topological_order(keys: Sequence[int], links: Iterable[EdgeLike]) -> list[int]:
    """The keys so that every arrow leads forward, and otherwise as given; those in or behind a circle left out."""
    place = {key: i for i, key in enumerate(keys)}
    after, waits = _arrows(keys, links)
    ready = sorted((key for key in keys if not waits[key]), key=place.__getitem__)
    order: list[int] = []
    while ready:
        key = ready.pop(0)
        order.append(key)
        for later in after[key]:
            waits[later] -= 1
            if not waits[later]:
                ready.append(later)
        ready.sort(key=place.__getitem__)
    return order


def circle(keys: Sequence[int], links: Collection[EdgeLike]) -> list[int]:
    """The keys of one circle in the order of its arrows, the first repeated at the end; empty if there is none."""
    links = [link for link in links if link.before_id in set(keys) and link.after_id in set(keys)]
    left = [key for key in keys if key not in set(topological_order(keys, links))]
    if not left:
        return []
    before: dict[int, list[int]] = {key: [] for key in left}
    for link in links:
        if link.before_id in before and link.after_id in before:
            before[link.after_id].append(link.before_id)
    # Every key that is left waits for another one that is left, so walking back must meet itself.
    way = [left[0]]
    while way[-1] not in way[:-1]:
        way.append(before[way[-1]][0])
    return way[way.index(way[-1]) :][::-1]


def depths(keys: Sequence[int], links: Collection[EdgeLike]) -> dict[int, int]:
    """Each key's longest way from a beginning, in arrows. The network must have no circle."""
    depth = dict.fromkeys(keys, 0)
    after: dict[int, list[int]] = {key: [] for key in keys}
    for link in links:
        after[link.before_id].append(link.after_id)
    for key in topological_order(keys, links):
        for later in after[key]:
            depth[later] = max(depth[later], depth[key] + 1)
    return depth


def active_edges(stages: Collection[StageLike], edges: Iterable[EdgeLike]) -> list[Link]:
    """The arrows among the stages that are kept: a left-out stage takes no time, so its arrows are joined.

    Joined arrows keep the moment of the earlier one, and their lags add up. Where a `finish` arrow is at least
    as strict as an `attended` one between the same two stages, the latter is dropped.
    """
    lags: dict[tuple[int, int, str], int] = {}
    for edge in edges:
        _keep_longest(lags, (edge.before_id, edge.after_id, edge.kind), edge.lag_min)
    for gone in [stage.pk for stage in stages if stage.left_out]:
        arriving = {key: lag for key, lag in lags.items() if key[1] == gone}
        leaving = {key: lag for key, lag in lags.items() if key[0] == gone}
        for key in (*arriving, *leaving):
            del lags[key]
        for (before, _, kind), lag in arriving.items():
            for (_, after, _), more in leaving.items():
                _keep_longest(lags, (before, after, kind), lag + more)
    return sorted(
        Link(before, after, kind, lag)
        for (before, after, kind), lag in lags.items()
        if kind == FINISH or lags.get((before, after, FINISH), -1) < lag
    )


def ready_stages(
    stages: Collection[ClockedStage],
    edges: Iterable[EdgeLike],
    at: datetime,
    alone: Collection[int] = frozenset(),
) -> list[int]:
    """The keys of waiting stages that may begin at `at` (aware), in the order of `stages`.

    alone: keys of stages whose machine runs with nobody beside it now, which satisfies an `attended` arrow.
    """
    by_key: Mapping[int, ClockedStage] = {stage.pk: stage for stage in stages}
    held_up = {
        link.after_id for link in active_edges(stages, edges) if not _passed(link, by_key, at, set(alone))
    }
    return [s.pk for s in stages if not s.left_out and s.state == "waiting" and s.pk not in held_up]


def descendants(key: int, links: Collection[EdgeLike]) -> set[int]:
    """Every key that an arrow, or several, lead to from `key`."""
    found: set[int] = set()
    ahead = deque([key])
    while ahead:
        here = ahead.popleft()
        for link in links:
            if link.before_id == here and link.after_id not in found:
                found.add(link.after_id)
                ahead.append(link.after_id)
    return found


def _arrows(keys: Sequence[int], links: Iterable[EdgeLike]) -> tuple[dict[int, list[int]], dict[int, int]]:
    after: dict[int, list[int]] = {key: [] for key in keys}
    waits = dict.fromkeys(keys, 0)
    for link in links:
        if link.before_id in after and link.after_id in after:
            after[link.before_id].append(link.after_id)
            waits[link.after_id] += 1
    return after, waits


def _keep_longest(lags: dict[tuple[int, int, str], int], key: tuple[int, int, str], lag: int) -> None:
    lags[key] = max(lag, lags.get(key, 0))


def _passed(link: Link, stages: Mapping[int, ClockedStage], at: datetime, alone: set[int]) -> bool:
    before = stages[link.before_id]
    if link.kind == ATTENDED and before.pk in alone:
        return True
    if before.finished_at is None:
        return False
    return before.finished_at + timedelta(minutes=link.lag_min) <= at
