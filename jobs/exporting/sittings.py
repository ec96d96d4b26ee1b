"""From intervals to sittings: the rows that give the same intervals again when they are imported. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta


@dataclass(frozen=True)
class Span:
    """An ended interval. kind: as IntervalKind. plain: an interruption that nobody clocked as one."""

    kind: str
    starts: datetime
    ends: datetime
    person: str = ""
    machine: str = ""
    plain: bool = False


@dataclass(frozen=True)
class Sitting:
    """One row. hands_on_min None: all of it. is_pause: a clocked interruption; nobody is at it."""

    started_at: datetime
    finished_at: datetime
    hands_on_min: float | None = None
    person: str = ""
    machine: str = ""
    is_pause: bool = False


@dataclass(frozen=True)
class StageTimes:
    """A finished stage with what its time depends on: numbers, and words of categories."""

    name: str
    sittings: Sequence[Sitting]
    drivers: Mapping[str, float | str] = field(default_factory=dict)


@dataclass(frozen=True)
class JobTimes:
    """A job and its finished stages."""

    name: str
    job_type: str
    stages: Sequence[StageTimes]


def sittings_of(spans: Iterable[Span]) -> list[Sitting]:
    """The sittings of one stage, by their beginning.

    A machine's run takes up the hands-on time that begins with it; hands-on time takes up the unclocked rest of its
    sitting. What is left stands in a row of its own, interruptions and holds with no hands-on minutes.
    """
    left: dict[str, list[Span]] = {"hands_on": [], "machine": [], "interruption": [], "hold": []}
    for span in sorted(spans, key=lambda span: (span.starts, span.ends)):
        left[span.kind].append(span)
    made = [_run(run, left["hands_on"]) for run in left["machine"]]
    made += [_work(work, left["interruption"]) for work in left["hands_on"]]
    made += [Sitting(rest.starts, rest.ends, 0.0, is_pause=True) for rest in left["interruption"]]
    made += [Sitting(hold.starts, hold.ends, 0.0) for hold in left["hold"]]
    return sorted(made, key=lambda one: (one.started_at, one.finished_at, one.is_pause))


def _run(run: Span, hands: list[Span]) -> Sitting:
    mine = next((one for one in hands if one.starts == run.starts and one.ends <= run.ends), None)
    if mine is None:
        return Sitting(run.starts, run.ends, 0.0, machine=run.machine)
    hands.remove(mine)
    return Sitting(run.starts, run.ends, _minutes(mine, run.ends), mine.person, run.machine)


def _work(work: Span, rests: list[Span]) -> Sitting:
    rest = next((one for one in rests if one.plain and one.starts == work.ends), None)
    if rest is None:
        return Sitting(work.starts, work.ends, None, work.person)
    rests.remove(rest)
    return Sitting(work.starts, rest.ends, _minutes(work, rest.ends), work.person)


def _minutes(work: Span, until: datetime) -> float | None:
    """Its minutes; None where they are all of the sitting."""
    return None if work.ends == until else (work.ends - work.starts) / timedelta(minutes=1)
