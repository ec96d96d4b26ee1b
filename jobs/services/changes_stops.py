"""A stop that was forgotten, what was never clocked, and what is said of what was: as the taps that do it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from jobs.clock import Event, Span, is_gone
from jobs.models import Correction, CorrectionKind, Stage, TapKind
from jobs.services.changes import (
    NewId,
    clock_words,
    in_order,
    not_ahead,
    replaced,
    stretches_words,
    taken_back,
)
from jobs.services.job_clock import JobClock, covers, first_of
from jobs.services.tap_checks import Tap
from jobs.sheets import SheetElement
from shop.errors import BadInput, ShopError

LONGEST = timedelta(hours=24)
"""Of a sitting added afterwards: a longer one is a date typed wrong. A hold may lie for weeks."""


@dataclass(frozen=True)
class ForgottenStop:
    """Somebody stopped at an instant and did not press. person: a key, or None for a machine or hold alone.

    machine_too: whether its machine stopped then too; otherwise it ran on as the clock has it.
    """

    stage: Stage
    person: int | None
    stopped_at: datetime
    finished: bool
    machine_too: bool = True
    kind = CorrectionKind.FORGOTTEN

    def taps(self, clock: JobClock, now: datetime, new_id: NewId) -> list[Tap]:
        """The stop, in the place of the press that ended the stretch later, if there was one."""
        not_ahead(clock.shop, self.stopped_at, now, "stopped_at")
        span = self._stretch(clock)
        others = [
            one
            for one in clock.spans(self.stage.pk, "hands_on")
            if one.person != self.person and covers(one, self.stopped_at)
        ]
        leaves = self.person is not None and (not self.machine_too or (bool(others) and not self.finished))
        kind = TapKind.LEAVE if leaves else TapKind.FINISH if self.finished else TapKind.ASIDE
        ending = self._ending(clock, span, leaves)
        stop = Tap(new_id(), kind, self.stage.pk, self.stopped_at, person=self.person)
        if ending is None:
            return [stop]
        if ending.kind == TapKind.NEXT:
            # The stage that was gone on to did begin then.
            begun = {"kind": TapKind.START, "stage": ending.to_stage, "to_stage": None, "element": None}
            return [stop, replaced(ending, new_id(), **begun)]
        return [
            replaced(
                ending, stop.id, kind=kind, at=self.stopped_at, person=self.person, cause=None, element=None
            )
        ]

    def _stretch(self, clock: JobClock) -> Span:
        kinds = ("hands_on",) if self.person is not None else ("machine", "hold", "hands_on")
        for kind in kinds:
            for span in clock.spans(self.stage.pk, kind):
                mine = span.person == self.person or (self.person is None and kind != "hands_on")
                if mine and covers(span, self.stopped_at) and span.ends != self.stopped_at:
                    return span
        words = clock_words(clock.shop, self.stopped_at)
        raise BadInput(
            f"The clock does not have this going on at '{self.stage}' at {words}. "
            f"{stretches_words(clock, self.stage.pk, kinds[0])}",
            field="stopped_at",
        )

    def _ending(self, clock: JobClock, span: Span, leaves: bool) -> Event | None:
        """The press that ended the stretch, if one did and it is to go."""
        at_end = [one for one in clock.of_stage(self.stage.pk) if one.at == span.ends]
        if leaves:
            return next((one for one in at_end if one.kind == "leave" and one.person == self.person), None)
        return first_of(at_end, "finish", "next", "aside", "pause", "leave")


@dataclass(frozen=True)
class AddSitting:
    """Work that was never clocked. Keys of rows; hands_on_min: None for all of it, or where nobody was, for none."""

    stage: Stage
    starts: datetime
    ends: datetime
    person: int | None = None
    machine: int | None = None
    hands_on_min: float | None = None
    element: int | None = None
    finished: bool = False
    kind = CorrectionKind.ADD

    def taps(self, clock: JobClock, now: datetime, new_id: NewId) -> list[Tap]:
        """One recorded sitting, and the finish at its end."""
        open_stage(self.stage)
        not_ahead(clock.shop, self.starts, now, "starts")
        not_ahead(clock.shop, self.ends, now, "ends")
        in_order(clock.shop, self.starts, self.ends, "ends")
        length = self.ends - self.starts
        if length > LONGEST and not self.stage.kind.is_hold:
            raise BadInput(
                f"That is {length.total_seconds() / 3600:.0f} hours at once. Add each day's work by itself.",
                field="ends",
            )
        if self.hands_on_min is not None and not 0 <= self.hands_on_min <= length / timedelta(minutes=1):
            raise BadInput(
                f"Hands-on minutes are from 0 to the {length / timedelta(minutes=1):g} between the two times.",
                field="hands_on_min",
            )
        if self.person is None and self.machine is None and not self.stage.kind.is_hold:
            raise BadInput(
                "Who worked, or which machine ran? Choose at least one of the two.", field="person"
            )
        return [
            Tap(
                new_id(),
                TapKind.SITTING,
                self.stage.pk,
                self.starts,
                person=self.person,
                machine=self.machine,
                until=self.ends,
                hands_on_min=_hands_on(self.person, self.machine, self.hands_on_min),
                element=self.element,
            ),
            *finish_at(clock, self.stage, self.ends, self.person, self.finished, new_id),
        ]


@dataclass(frozen=True)
class SheetEntry:
    """A timed sheet: a sitting for each of its elements. keys: elements by name in small letters."""

    stage: Stage
    elements: tuple[SheetElement, ...]
    person: int | None = None
    machine: int | None = None
    finished: bool = False
    keys: Mapping[str, int] = field(default_factory=dict)
    kind = CorrectionKind.SHEET

    def taps(self, clock: JobClock, now: datetime, new_id: NewId) -> list[Tap]:
        """The sittings one after the other, and the finish at the end."""
        open_stage(self.stage)
        if not self.elements:
            raise BadInput("The sheet is empty. Write a line for each element.", field="text")
        if self.person is None and self.machine is None:
            raise BadInput("Who was timed, or which machine? Choose at least one of the two.", field="person")
        ends = self.elements[-1].ends
        not_ahead(clock.shop, ends, now, "starts")
        sittings = [
            Tap(
                new_id(),
                TapKind.SITTING,
                self.stage.pk,
                one.starts,
                person=self.person,
                machine=self.machine,
                until=one.ends,
                hands_on_min=_hands_on(self.person, self.machine),
                element=self.keys.get(one.name.lower()),
            )
            for one in self.elements
        ]
        return [*sittings, *finish_at(clock, self.stage, ends, self.person, self.finished, new_id)]


@dataclass(frozen=True)
class Vouch:
    """What was clocked on a stage up to an instant is as it was."""

    stage: Stage
    until: datetime
    kind = CorrectionKind.VOUCH

    def taps(self, clock: JobClock, now: datetime, new_id: NewId) -> list[Tap]:
        """Somebody's word for it."""
        not_ahead(clock.shop, self.until, now, "until")
        if not any(span.starts < self.until for span in clock.spans(self.stage.pk)):
            raise BadInput(f"Nothing was clocked on '{self.stage}' until then.", field="until")
        return [Tap(new_id(), TapKind.VOUCH, self.stage.pk, self.until)]


@dataclass(frozen=True)
class Undo:
    """A correction is taken back, perhaps one that took back another."""

    correction: Correction
    kind = CorrectionKind.UNDO

    def taps(self, clock: JobClock, now: datetime, new_id: NewId) -> list[Tap]:
        """A void of each of its events. Raises ShopError where later corrections rest on it."""
        keys = set(self.correction.events.values_list("pk", flat=True))
        mine = [event for event in clock.events if event.id in keys]
        if not mine or any(is_gone(event.id, clock.events) for event in mine):
            raise ShopError(
                "A later correction rests on this one. Undo the later one first: the latest stands at the top."
            )
        _refuse_rival(clock.events, mine)
        return [taken_back(event, now, new_id()) for event in mine]


def _refuse_rival(events: Sequence[Event], mine: Sequence[Event]) -> None:
    """What would count again must not stand in the place of what was put right otherwise meanwhile."""
    taken = {event.corrects for event in mine}
    back = [event for event in events if event.id in taken]
    wanted = {event.corrects for event in back if event.corrects}
    for event in events:
        if event.corrects in wanted and event not in [*back, *mine] and _holds(event, events):
            raise ShopError("The same press was put right in another way meanwhile. Undo that first.")


def _holds(event: Event, events: Sequence[Event]) -> bool:
    """Whether an event stands in the place of another, by itself or by what replaced it."""
    after = [one for one in events if one.corrects == event.id and one.kind != TapKind.VOID]
    return not is_gone(event.id, events) or any(_holds(one, events) for one in after)


def _hands_on(person: int | None, machine: int | None, given: float | None = None) -> float | None:
    """A sitting's hands-on minutes: as given, else none of a machine alone, else all (None)."""
    return 0.0 if given is None and person is None and machine is not None else given


def open_stage(stage: Stage) -> None:
    """Refuse a stage that is left out of its job."""
    if stage.left_out:
        raise BadInput(f"'{stage}' is left out of this job. Take it in at the job first.", field="stage")


def finish_at(
    clock: JobClock, stage: Stage, at: datetime, person: int | None, finished: bool, new_id: NewId
) -> list[Tap]:
    """The finish of a stage at the end of what is added, if it was finished with it."""
    if not finished:
        return []
    for event in clock.counting:
        later = event.at > at and event.kind not in (TapKind.VOUCH, TapKind.SITTING)
        if later and stage.pk in (event.stage, event.to_stage):
            raise BadInput(
                f"'{stage}' went on after that, at {clock_words(clock.shop, event.at)}. It cannot have been finished "
                "before: leave that box empty.",
                field="finished",
            )
    return [Tap(new_id(), TapKind.FINISH, stage.pk, at, person=person)]
