"""What could still be done for one open job's date: the open work with one thing changed, on the same draws.

Each change gives a book whose columns stand as before, so that what it shows is the change's doing alone.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field, replace

from analytics.engine.book import Book, turn_of
from analytics.engine.levers import shop_levers
from analytics.engine.plan import StageSpec
from analytics.engine.work import OpenWork


@dataclass(frozen=True, eq=False)
class Change:
    """One thing done otherwise. key: first, now, later, or a lever's. left_out: jobs whose finish then says nothing."""

    key: str
    book: Book
    facts: Mapping[str, object] = field(default_factory=dict)
    left_out: frozenset[int] = frozenset()


def changes(work: OpenWork, job: int, due: float) -> Iterator[Change]:
    """What could be done for the job of that index, which is due then, in minutes since the origin.

    Nothing is put first that is first, and no later job is left that is not there.
    """
    turns = [turn_of(one) for one in work.jobs]
    if min(turns) < turns[job]:
        yield Change("first", work.with_turn(job, min(turns) - 1.0).book())
    stage = next_stage(work, job)
    if stage is not None:
        pinned = work.with_stage(stage.key, pinned=max(stage.ready_at, 0.0))
        yield Change("now", pinned.book(), {"stage": stage.kind})
    asked = replace(work, target=job)
    for lever in shop_levers(asked, due, [stage] if stage is not None else []):
        yield Change(lever.key, lever.change(work).book(), lever.facts)
    behind = frozenset(i for i, turn in enumerate(turns) if turn > turns[job])
    if behind:
        yield Change("later", without(work.book(), behind), left_out=behind)


def next_stage(work: OpenWork, job: int) -> StageSpec | None:
    """The first stage of a job that somebody is needed for, that waits for no other of them, and that is not begun."""
    mine = [stage for stage in work.stages if stage.job == job and stage.running is None]
    waiting = {stage.key for stage in mine}
    behind = {after for before, after, *_ in work.arrows if before in waiting}
    return next((stage for stage in mine if stage.people and stage.key not in behind), None)


def without(book: Book, jobs: Collection[int]) -> Book:
    """The book without the work of these jobs that is not under way; the columns stay, so that all draws do."""
    operations = book.plan.operations
    kept = [i for i, one in enumerate(operations) if one.job not in jobs or one.running is not None]
    place = {old: new for new, old in enumerate(kept)}
    edges = tuple(
        replace(edge, before=place[edge.before], after=place[edge.after])
        for edge in book.edges
        if edge.before in place and edge.after in place
    )
    return replace(book, plan=replace(book.plan, operations=tuple(operations[i] for i in kept)), edges=edges)
