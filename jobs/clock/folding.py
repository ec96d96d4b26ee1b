"""From taps to intervals: `fold` is the same whatever the order in which the taps arrived.

One person is hands-on at one stage at a time: whoever starts a stage has left the one before. What they leave
behind runs on alone if it may, and is otherwise paused for other work.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from jobs.clock.events import Event, Facts, HoldFact, counting


@dataclass(frozen=True)
class Span:
    """An interval: whose minutes on a stage, from an instant to an instant; ends is None while it lasts."""

    stage: int
    kind: str  # hands_on, machine, interruption, hold
    starts: datetime
    ends: datetime | None
    person: int | None = None
    machine: int | None = None
    cause: int | None = None


@dataclass(frozen=True)
class StageFold:
    """What the clock says of a stage: waiting, running, paused, put_aside or finished, and since when."""

    state: str = "waiting"
    started_at: datetime | None = None
    finished_at: datetime | None = None


@dataclass(frozen=True)
class Clash:
    """More at once than can be: `kind` is 'machine' or 'person', `key` which, `stages` where, from `at` on."""

    kind: str
    key: int
    stages: tuple[int, ...]
    at: datetime


@dataclass(frozen=True)
class Folded:
    """All intervals in order, each stage that has any event or hold, and what cannot be."""

    spans: tuple[Span, ...]
    stages: dict[int, StageFold]
    clashes: tuple[Clash, ...]


@dataclass
class _Watch:
    """One stage's stopwatch while the events are gone through."""

    state: str = "waiting"
    started_at: datetime | None = None
    finished_at: datetime | None = None
    hands: dict[int | None, datetime] = field(default_factory=dict)
    machine: tuple[int, datetime] | None = None
    last_machine: int | None = None
    pause: tuple[datetime, int | None, int | None] | None = None
    hold: datetime | None = None
    sat: datetime | None = None  # the end of what was recorded here, until it is worked on or finished again


def fold(events: Iterable[Event], facts: Facts) -> Folded:
    """What the events amount to. No interval is negative or empty; a missing end leaves its interval open."""
    folding = _Folding(facts)
    ordered = counting(events)
    for event in ordered:
        folding.take(event)
    spans = folding.all_spans()
    stages = {
        key: StageFold(watch.state, watch.started_at, watch.finished_at)
        for key, watch in folding.watches.items()
    }
    spans += _derived_holds(stages, facts)
    spans.sort(key=_span_order)
    sittings = [event for event in ordered if event.kind == "sitting"]
    clashes = (*_machine_clashes(spans, facts), *_sitting_clashes(sittings))
    return Folded(tuple(spans), stages, clashes)


class _Folding:
    """The watches of all stages, and where each person is."""

    def __init__(self, facts: Facts) -> None:
        self.facts = facts
        self.watches: dict[int, _Watch] = defaultdict(_Watch)
        self.where: dict[int, int] = {}
        self.spans: list[Span] = []

    def take(self, event: Event) -> None:
        """Go on by one event."""
        if event.stage in self.facts.holds:
            self._take_hold(event)
        else:
            self._take_work(event)
        if event.kind == "next" and event.to_stage is not None:
            if event.to_stage in self.facts.holds:
                self._take_hold(replace(event, stage=event.to_stage, kind="start"))
            else:
                self._start(event.to_stage, event)

    def _take_work(self, event: Event) -> None:
        stage, at = event.stage, event.at
        match event.kind:
            case "start" | "resume":
                self._start(stage, event)
            case "finish" | "next":
                self._finish(stage, at)
            case "pause":
                self._pause(stage, at, event.cause, event.person)
            case "leave":
                self._leave(stage, event.person, at)
            case "aside":
                self._aside(stage, at)
            case "sitting":
                self._sitting(event)

    def all_spans(self) -> list[Span]:
        """The spans so far, with those that still last left open."""
        spans = list(self.spans)
        for stage, watch in self.watches.items():
            spans += [Span(stage, "hands_on", at, None, person=person) for person, at in watch.hands.items()]
            if watch.machine:
                spans.append(Span(stage, "machine", watch.machine[1], None, machine=watch.machine[0]))
            if watch.pause:
                at, cause, person = watch.pause
                spans.append(Span(stage, "interruption", at, None, person=person, cause=cause))
            if watch.hold:
                spans.append(Span(stage, "hold", watch.hold, None))
        return spans

    def _start(self, stage: int, event: Event) -> None:
        watch, at, person = self.watches[stage], event.at, event.person
        resumes = watch.state in ("paused", "put_aside", "finished")
        if person is not None:
            before = self.where.get(person)
            if before is not None and before != stage:
                self._leave(before, person, at)
            self.where[person] = stage
        self._end_pause(stage, at)
        watch.hands.setdefault(person, at)
        machine = event.machine if event.machine is not None else watch.last_machine if resumes else None
        if machine is not None and (watch.machine is None or watch.machine[0] != machine):
            self._end_machine(stage, at)
            watch.machine, watch.last_machine = (machine, at), machine
        watch.state, watch.finished_at, watch.sat = "running", None, None
        watch.started_at = watch.started_at or at

    def _pause(self, stage: int, at: datetime, cause: int | None, person: int | None) -> None:
        watch = self.watches[stage]
        if watch.state != "running":
            return  # nothing ran that could be paused
        self._end_work(stage, at)
        watch.state, watch.pause = "paused", (at, cause, person)

    def _leave(self, stage: int, person: int | None, at: datetime) -> None:
        watch = self.watches[stage]
        leaving = [person] if person is not None else list(watch.hands)
        for one in leaving:
            if one not in watch.hands:
                continue
            self._add(Span(stage, "hands_on", watch.hands.pop(one), at, person=one))
            if not watch.hands and watch.state == "running" and not self._runs_alone(stage):
                self._pause(stage, at, self.facts.other_work, one)

    def _runs_alone(self, stage: int) -> bool:
        machine = self.watches[stage].machine
        return machine is not None and machine[0] in self.facts.alone and stage in self.facts.start_only

    def _aside(self, stage: int, at: datetime) -> None:
        watch = self.watches[stage]
        if watch.state in ("running", "paused"):
            self._end_work(stage, at)
            self._end_pause(stage, at)
            watch.state = "put_aside"

    def _finish(self, stage: int, at: datetime) -> None:
        watch = self.watches[stage]
        if watch.state == "finished" and not watch.sat:
            return  # finished once already; a second press does not move it
        self._end_work(stage, at)
        self._end_pause(stage, at)
        ended = max(at, watch.sat) if watch.sat else at
        watch.state, watch.finished_at, watch.sat = "finished", ended, None
        watch.started_at = watch.started_at or at

    def _sitting(self, event: Event) -> None:
        if event.until is None or event.until <= event.at:
            return
        watch, stage = self.watches[event.stage], event.stage
        hands_end = event.until
        if event.hands_on_min is not None:
            hands_end = min(event.until, event.at + timedelta(minutes=max(event.hands_on_min, 0.0)))
        self._add(Span(stage, "hands_on", event.at, hands_end, person=event.person))
        if event.machine is not None:
            self._add(Span(stage, "machine", event.at, event.until, machine=event.machine))
        else:
            self._add(Span(stage, "interruption", hands_end, event.until))
        watch.sat = max(watch.sat or event.until, event.until)
        watch.started_at = min(watch.started_at or event.at, event.at)
        if watch.state == "waiting":
            watch.state = "put_aside"
        elif watch.state == "finished":
            watch.finished_at = max(watch.finished_at or event.until, event.until)

    def _take_hold(self, event: Event) -> None:
        """A hold that is clocked: nobody is at it, so it moves nobody."""
        watch, at = self.watches[event.stage], event.at
        if event.kind in ("start", "resume") and watch.hold is None:
            watch.hold, watch.state, watch.finished_at = at, "running", None
            watch.started_at = watch.started_at or at
        elif event.kind in ("pause", "aside", "finish", "next"):
            if watch.hold is not None:
                self._add(Span(event.stage, "hold", watch.hold, at))
                watch.hold = None
            if event.kind in ("finish", "next"):
                watch.state, watch.finished_at = "finished", watch.finished_at or at
                watch.started_at = watch.started_at or at
            elif watch.state == "running":
                watch.state = "put_aside"
        elif event.kind == "sitting" and event.until is not None and event.until > at:
            self._add(Span(event.stage, "hold", at, event.until))
            watch.started_at = min(watch.started_at or at, at)
            if watch.state == "waiting":
                watch.state = "put_aside"

    def _end_work(self, stage: int, at: datetime) -> None:
        watch = self.watches[stage]
        for person, starts in watch.hands.items():
            self._add(Span(stage, "hands_on", starts, at, person=person))
        watch.hands.clear()
        self._end_machine(stage, at)

    def _end_machine(self, stage: int, at: datetime) -> None:
        watch = self.watches[stage]
        if watch.machine:
            self._add(Span(stage, "machine", watch.machine[1], at, machine=watch.machine[0]))
            watch.machine = None

    def _end_pause(self, stage: int, at: datetime) -> None:
        watch = self.watches[stage]
        if watch.pause:
            starts, cause, person = watch.pause
            self._add(Span(stage, "interruption", starts, at, person=person, cause=cause))
            watch.pause = None

    def _add(self, span: Span) -> None:
        if span.ends is not None and span.ends > span.starts:
            self.spans.append(span)


def _derived_holds(stages: dict[int, StageFold], facts: Facts) -> list[Span]:
    """Holds whose beginning nobody clocked: from the last earlier finish, until one that follows begins.

    They last their fixed minutes, or until somebody pressed that they are over. A derived hold is 'finished' at its
    end, which may lie ahead. `stages` gets their states.
    """
    spans = []
    open_ended = {key for key in facts.holds if _began_unseen(stages.get(key))}
    moved = True
    while moved:  # a hold may follow a hold
        moved = False
        for key in sorted(open_ended):
            begin = _last_finish(stages, facts.holds[key].before)
            end = _hold_end(stages, key, facts.holds[key], begin) if begin else None
            if begin is None or end is None:
                continue
            stages[key] = StageFold("finished", begin, end)
            if end > begin:
                spans.append(Span(key, "hold", begin, end))
            open_ended.discard(key)
            moved = True
    return spans


def _began_unseen(hold: StageFold | None) -> bool:
    """Whether nothing of a hold was clocked but, at most, that it is over."""
    if hold is None or hold.state == "waiting":
        return True
    return hold.state == "finished" and hold.started_at == hold.finished_at


def _hold_end(stages: Mapping[int, StageFold], key: int, hold: HoldFact, begin: datetime) -> datetime | None:
    """When a hold that began at `begin` is over; None if that is not known, or was before it began."""
    pressed = _finish_of(stages, key)
    if pressed is not None:
        end = pressed
    elif hold.minutes is not None:
        end = begin + timedelta(minutes=hold.minutes)
    else:
        return None
    starts = (stages[one].started_at for one in hold.after if one in stages)
    cut = min([end, *(at for at in starts if at is not None)])
    return None if pressed is not None and pressed <= begin else max(begin, cut)


def _last_finish(stages: Mapping[int, StageFold], keys: Iterable[int]) -> datetime | None:
    """The latest finish of these stages; None unless all are finished."""
    ends = [_finish_of(stages, one) for one in keys]
    known = [end for end in ends if end is not None]
    return max(known) if known and len(known) == len(ends) else None


def _finish_of(stages: Mapping[int, StageFold], key: int) -> datetime | None:
    return stages[key].finished_at if key in stages else None


def _machine_clashes(spans: Iterable[Span], facts: Facts) -> Iterator[Clash]:
    """Where more stages are on a machine than it takes; each beginning of it once."""
    by_machine: dict[int, list[Span]] = defaultdict(list)
    for span in spans:
        if span.kind == "machine" and span.machine is not None:
            by_machine[span.machine].append(span)
    for machine, mine in sorted(by_machine.items()):
        here: list[Span] = []
        for span in mine:  # in order of their starts
            here = [one for one in here if one.ends is None or one.ends > span.starts]
            here.append(span)
            stages = tuple(sorted({one.stage for one in here}))
            if len(stages) > facts.capacity.get(machine, 1):
                yield Clash("machine", machine, stages, span.starts)


def _sitting_clashes(sittings: Iterable[Event]) -> Iterator[Clash]:
    """Where a person is recorded at two stages at once."""
    latest: dict[int, Event] = {}
    for event in sittings:
        if event.person is None or event.until is None:
            continue
        before = latest.get(event.person)
        if before is not None and before.until is not None and before.until > event.at:
            stages = tuple(sorted({before.stage, event.stage}))
            yield Clash("person", event.person, stages, event.at)
        if before is None or before.until is None or event.until > before.until:
            latest[event.person] = event


def _span_order(span: Span) -> tuple[object, ...]:
    keys = (span.person or 0, span.machine or 0, span.cause or 0)
    ends = span.ends.timestamp() if span.ends else float("inf")
    return (span.starts, span.stage, span.kind, ends, *keys)
