"""What can be pressed on a stopwatch, as the page without a script offers it. Pure: built from what was read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from jobs.models import ClockEvent, EdgeKind, Element, Stage, TapKind

if TYPE_CHECKING:
    from jobs.selectors.floor import FloorStage, Following, Stopwatch
    from shop.models import Machine

CAN_BEGIN = ("waiting", "put_aside")
RUNS = ("running", "alone")
MAIN = "tap primary"
START_FORM = "press-start"
"""The form to which the choice of a machine belongs."""


@dataclass(frozen=True)
class Press:
    """One press: the word on it, a second line, and what its form sends besides its id and the person."""

    stage: Stage
    kind: str
    word: str
    small: str = ""
    cls: str = "tap"
    form_id: str = ""
    to_stage: Stage | None = None
    machine: Machine | None = None
    cause: int | None = None
    element: int | None = None
    corrects: object = None

    @property
    def fields(self) -> list[tuple[str, object]]:
        """Names and values of the form's hidden fields."""
        sent = {
            "kind": self.kind,
            "stage": self.stage.pk,
            "to_stage": self.to_stage.pk if self.to_stage else None,
            "machine": self.machine.pk if self.machine else None,
            "cause": self.cause,
            "element": self.element,
            "corrects": self.corrects,
        }
        return [(name, value) for name, value in sent.items() if value is not None]


def undo_press(event: ClockEvent) -> Press:
    """Takes a press back."""
    return Press(event.stage, TapKind.VOID, "Undo", cls="button", corrects=event.pk)


def main_press(watch: Stopwatch) -> Press | None:
    """The large first press: what is most likely wanted next; None where the stage lies or is finished."""
    row = watch.chosen
    if row is None or row.lies_until:
        return None
    stage = row.stage
    if watch.state in CAN_BEGIN:
        many = len(watch.machines) > 1
        machine = None if many else watch.machine
        form_id = START_FORM if many else ""
        return Press(stage, TapKind.START, "Start", _name(machine), MAIN, form_id=form_id, machine=machine)
    if watch.state == "paused":
        return Press(stage, TapKind.RESUME, "Resume", cls=MAIN)
    if watch.state not in RUNS:
        return None
    beside, following = _wanted_beside(watch), _following(watch)
    if beside:
        return _also(stage, beside[0], MAIN)
    return _next(watch, stage, following[0], MAIN) if following else _finish(watch, stage, MAIN)


def other_presses(watch: Stopwatch) -> list[Press]:
    """A lap, another stage beside, joining, leaving, finishing, opening again: as the state allows."""
    row = watch.chosen
    if row is None or row.lies_until:
        return []
    stage, state, hold = row.stage, watch.state, row.stage.kind.is_hold
    found: list[Press | None] = []
    if not hold and state in RUNS:
        found += [_lap(watch, stage) if state == "running" else None, *_beside(watch, stage)]
        if _wanted_beside(watch):
            found += [_next(watch, stage, one) for one in _following(watch)[:1]]
        found += _coming_and_going(watch, row)
    finish_is_main = state in RUNS and not _following(watch) and not _wanted_beside(watch)
    if state in (*RUNS, "paused", "put_aside") and not finish_is_main:
        found.append(_finish(watch, stage))
    if state == "finished":
        found.append(Press(stage, TapKind.START, "Open again", cls="tap quiet", machine=watch.machine))
    return [press for press in found if press]


def pause_presses(watch: Stopwatch) -> list[Press]:
    """One for each cause of a pause."""
    if watch.chosen is None or watch.state not in RUNS or watch.chosen.stage.kind.is_hold:
        return []
    return [Press(watch.chosen.stage, TapKind.PAUSE, one.name, cause=one.pk) for one in watch.causes]


def more_presses(watch: Stopwatch) -> list[Press]:
    """What is wanted less often."""
    row = watch.chosen
    if row is None or watch.state not in (*RUNS, "paused") or row.stage.kind.is_hold:
        return []
    aside = Press(row.stage, TapKind.ASIDE, "Put aside", "until another day", element=_ends(watch))
    following = _following(watch)[1:] if watch.state in RUNS else []
    machines = watch.other_machines if row.watch and row.watch.machine else []
    return [
        aside,
        *(_next(watch, row.stage, one) for one in following),
        *(
            Press(row.stage, TapKind.START, f"Go on with {one}", "the machine changes", machine=one)
            for one in machines
        ),
    ]


def element_now(watch: Stopwatch) -> Element | None:
    """The element that is being done: they come in their order, and again from the first."""
    return watch.elements[watch.laps % len(watch.elements)] if watch.elements else None


def _ends(watch: Stopwatch) -> int | None:
    """The element that ends with the sitting, where laps are taken at all."""
    element = element_now(watch)
    return element.pk if element and watch.laps else None


def _lap(watch: Stopwatch, stage: Stage) -> Press:
    element = element_now(watch)
    if element is None:
        return Press(stage, TapKind.LAP, f"Lap {watch.laps + 1}", "it has ended")
    return Press(stage, TapKind.LAP, f"Lap: {element}", "it has ended", element=element.pk)


def _wanted_beside(watch: Stopwatch) -> list[Following]:
    """What the route has begun while the stage in hand runs on by itself: it is no reason to finish that stage."""
    if watch.chosen is None or watch.chosen.stage.kind.is_hold:
        return []
    edges = watch.chosen.stage.out_edges.all()
    attended = {edge.after_id for edge in edges if edge.kind == EdgeKind.ATTENDED}
    return [one for one in watch.beside if one.stage.pk in attended]


def _following(watch: Stopwatch) -> list[Following]:
    beside = {one.stage.pk for one in _wanted_beside(watch)}
    return [one for one in watch.following if one.stage.pk not in beside]


def _beside(watch: Stopwatch, stage: Stage) -> list[Press]:
    """The stages that may be begun beside it, but for the one that the large press begins."""
    wanted = _wanted_beside(watch)[:1]
    return [_also(stage, one) for one in watch.beside if one not in wanted]


def _also(stage: Stage, one: Following, cls: str = "tap") -> Press:
    return Press(
        one.stage, TapKind.START, f"Also: {one.stage}", f"{stage} runs on", cls=cls, machine=one.machine
    )


def _coming_and_going(watch: Stopwatch, row: FloorStage) -> list[Press]:
    stage = row.stage
    if watch.state == "alone":
        return [Press(stage, TapKind.START, "Join in" if watch.others else "Back at it")]
    if watch.others:
        return [Press(stage, TapKind.LEAVE, "Leave it to the others")] if watch.person else []
    on_machine = row.watch is not None and row.watch.machine is not None
    if on_machine and watch.can_leave:
        return [Press(stage, TapKind.LEAVE, "Leave it running", "hands free")]
    return []


def _next(watch: Stopwatch, stage: Stage, following: Following, cls: str = "tap") -> Press:
    return Press(
        stage,
        TapKind.NEXT,
        f"Next: {following.stage}",
        following.note,
        cls,
        to_stage=following.stage,
        machine=following.machine,
        element=_ends(watch),
    )


def _finish(watch: Stopwatch, stage: Stage, cls: str = "tap") -> Press:
    return Press(stage, TapKind.FINISH, "Finish", cls=cls, element=_ends(watch))


def _name(machine: Machine | None) -> str:
    return machine.name if machine else ""
