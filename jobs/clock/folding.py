"""From taps to intervals: `fold` is the same whatever the order in which the taps arrived.

One person is hands-on at one stage at a time: whoever starts a stage has left the one before. What they leave
behind runs on alone if it may, and is otherwise paused for other work.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from jobs.clock.clashes import clashes
from jobs.clock.events import Event, Facts, counting
from jobs.clock.holds import derive_holds
from jobs.clock.laps import Breakpoints
from jobs.clock.redoing import Redone, affected, divided
from jobs.clock.results import Folded, LapSpan, Span, StageFold, lap_order, span_order


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
    begun: datetime | None = None  # as started_at, but since its work was last to be done again
    laps: Breakpoints = field(default_factory=Breakpoints)
    redone: Redone = field(default_factory=Redone)
    vouched_at: datetime | None = None

    def begin(self, at: datetime) -> None:
        """It began at `at`, if not before."""
        self.started_at = min(self.started_at or at, at)
        self.begun = min(self.begun or at, at)

    def folded(self) -> StageFold:
        """What is to be said of the stage."""
        return StageFold(self.state, self.started_at, self.finished_at, self.vouched_at)


def fold(events: Iterable[Event], facts: Facts) -> Folded:
    """What the events amount to. No interval is negative or empty; a missing end leaves its interval open."""
    folding = _Folding(facts)
    for event in counting(events):
        folding.take(event)
    stages, lying = folding.stages()
    spans = sorted([*folding.all_spans(), *lying.values()], key=span_order)
    redone = {key: watch.redone.times for key, watch in folding.watches.items() if watch.redone.times}
    return Folded(
        tuple(sorted(divided(spans, redone), key=span_order)) if redone else tuple(spans),
        stages,
        tuple(clashes(spans, facts)),
        tuple(sorted(folding.laps, key=lap_order)),
    )


class _Folding:
    """The watches of all stages, and where each person is."""

    def __init__(self, facts: Facts) -> None:
        self.facts = facts
        self.watches: dict[int, _Watch] = defaultdict(_Watch)
        self.where: dict[int, int] = {}
        self.spans: list[Span] = []
        self.laps: list[LapSpan] = []

    def stages(self) -> tuple[dict[int, StageFold], dict[int, Span]]:
        """The stages as they are now, and the holds among them that nobody clocked."""
        stages = {key: watch.folded() for key, watch in self.watches.items()}
        begun = {key: watch.begun for key, watch in self.watches.items() if watch.begun}
        return stages, derive_holds(stages, begun, self.facts)

    def take(self, event: Event) -> None:
        """Go on by one event."""
        if event.kind == "again":
            self._again(event)
        elif event.kind == "vouch":
            self.watches[event.stage].vouched_at = event.at
        elif event.stage in self.facts.holds:
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
                self._finish(event)
            case "pause":
                self._pause(stage, at, event.cause, event.person)
            case "leave":
                self._leave(stage, event.person, at)
            case "aside":
                self._aside(event)
            case "lap":
                self._add_lap(self.watches[stage].laps.press(event))
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
        watch.begin(at)
        watch.laps.run(at)

    def _pause(self, stage: int, at: datetime, cause: int | None, person: int | None) -> None:
        watch = self.watches[stage]
        if watch.state != "running":
            return  # nothing ran that could be paused
        self._end_work(stage, at)
        watch.laps.rest(at)
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

    def _aside(self, event: Event) -> None:
        watch = self.watches[event.stage]
        if watch.state in ("running", "paused"):
            self._end_sitting(event)
            watch.state = "put_aside"

    def _finish(self, event: Event) -> None:
        watch, at = self.watches[event.stage], event.at
        if watch.state == "finished" and not watch.sat:
            return  # finished once already; a second press does not move it
        self._end_sitting(event)
        ended = max(at, watch.sat) if watch.sat else at
        watch.state, watch.finished_at, watch.sat = "finished", ended, None
        watch.begin(at)
        watch.redone.end(ended)

    def _end_sitting(self, event: Event) -> None:
        self._end_work(event.stage, event.at)
        self._end_pause(event.stage, event.at)
        self._add_lap(self.watches[event.stage].laps.end(event))

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
        ran = (event.until if event.machine is not None else hands_end) - event.at
        if event.element is not None and ran:
            seconds = ran.total_seconds()
            self._add_lap(LapSpan(stage, event.at, event.until, seconds, event.element, event.person))
        watch.sat = max(watch.sat or event.until, event.until)
        watch.begin(event.at)
        if watch.state == "waiting":
            watch.state = "put_aside"
        elif watch.state == "finished":
            watch.finished_at = max(watch.finished_at or event.until, event.until)

    def _take_hold(self, event: Event) -> None:
        """A hold that is clocked: nobody is at it, so it moves nobody."""
        watch, at = self.watches[event.stage], event.at
        if event.kind in ("start", "resume") and watch.hold is None:
            watch.hold, watch.state, watch.finished_at = at, "running", None
            watch.begin(at)
        elif event.kind in ("pause", "aside", "finish", "next"):
            self._end_hold(event.stage, at)
            if event.kind in ("finish", "next"):
                watch.state, watch.finished_at = "finished", watch.finished_at or at
                watch.begin(at)
                watch.redone.end(at)
            elif watch.state == "running":
                watch.state = "put_aside"
        elif event.kind == "sitting" and event.until is not None and event.until > at:
            self._add(Span(event.stage, "hold", at, event.until))
            watch.begin(at)
            if watch.state == "waiting":
                watch.state = "put_aside"

    def _again(self, event: Event) -> None:
        """What was begun, from to_stage up to where it was noticed, is to be done again."""
        back_to = event.stage if event.to_stage is None else event.to_stage
        among = affected(event.stage, back_to, self.facts.follows)
        lying = self.stages()[1] if among & self.facts.holds.keys() else {}
        begun = {key for key in among if key in self.watches and self.watches[key].started_at}
        begun |= {key for key, span in lying.items() if key in among and span.starts < event.at}
        for key in begun:
            if key in self.facts.holds:
                self._hold_again(key, event.at, begun, lying.get(key))
            else:
                self._work_again(key, event.at)

    def _work_again(self, stage: int, at: datetime) -> None:
        watch = self.watches[stage]
        watch.redone.begin(at)
        watch.begun = at if watch.state == "running" else None
        if watch.state == "finished":
            watch.state, watch.finished_at = "put_aside", None

    def _hold_again(self, stage: int, at: datetime, begun: set[int], lying: Span | None) -> None:
        """Where what it follows is done again, a hold lies again from then on; else it waits to be clocked."""
        follows = not begun.isdisjoint(self.facts.holds[stage].before)
        if lying and not follows:
            return
        watch = self.watches[stage]
        if lying:
            self._add(replace(lying, ends=min(lying.ends or at, at)))
        watch.redone.begin(at)
        if follows:
            self._end_hold(stage, at)
            watch.state, watch.started_at, watch.finished_at, watch.begun = "waiting", None, None, None
        else:
            self._work_again(stage, at)

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

    def _end_hold(self, stage: int, at: datetime) -> None:
        watch = self.watches[stage]
        if watch.hold is not None:
            self._add(Span(stage, "hold", watch.hold, at))
            watch.hold = None

    def _add_lap(self, lap: LapSpan | None) -> None:
        if lap is not None:
            self.laps.append(lap)

    def _add(self, span: Span) -> None:
        if span.ends is not None and span.ends > span.starts:
            self.spans.append(span)
