"""The open work as plain facts, from which books are made: as it is, or with something changed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

from analytics.engine.book import Book, BookedJob
from analytics.engine.later import Arrow, Later, LaterJob, lay_out
from analytics.engine.plan import ShopSpec, StageSpec, edges_between, plan

__all__ = ["Arrow", "Later", "LaterJob", "LeftOut", "OpenWork"]


@dataclass(frozen=True)
class LeftOut:
    """A job whose rest cannot be done, by its index and its number, and why: of it only what can be done is here."""

    job: int
    number: int
    why: str


@dataclass(frozen=True, eq=False)
class OpenWork:
    """The shop, its open jobs, what is left of them, and which of them is asked about.

    jobs: stages name them by index. target: an index into jobs, or -1. days: how far calendars reach. later: the
    work that may come in, None for none. left_out: jobs of which only a part is here, and which have no date for that.
    To ask "what if", change a copy (`dataclasses.replace`) and make its book: draws hang on the jobs' numbers and
    the stages' kinds, so that two books differ only by what was changed.
    """

    origin: datetime
    spec: ShopSpec
    jobs: tuple[BookedJob, ...]
    stages: tuple[StageSpec, ...]
    arrows: tuple[Arrow, ...]
    target: int = -1
    days: int = 800
    later: Later | None = None
    left_out: tuple[LeftOut, ...] = ()

    def book(self) -> Book:
        """The promise's input. Raises CannotPlan and NeverOpen as `plan` does."""
        edges = edges_between([stage.key for stage in self.stages], self.arrows)
        mine = plan(self.spec, self.stages, self.days)
        coming = None if self.later is None else lay_out(self.later, self.spec, mine, self.days)
        return Book(self.origin, mine, edges, self.jobs, self.target, coming)

    def with_turn(self, job: int, turn: float | None) -> OpenWork:
        """The same with another place in the queue for the job of that index."""
        jobs = tuple(replace(one, turn=turn) if i == job else one for i, one in enumerate(self.jobs))
        return replace(self, jobs=jobs)

    def with_stage(self, key: int, **facts: object) -> OpenWork:
        """The same with other facts for the stage of that key, as `ready_at`."""
        stages = tuple(replace(one, **facts) if one.key == key else one for one in self.stages)  # type: ignore[arg-type]
        return replace(self, stages=stages)
