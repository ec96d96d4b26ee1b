"""Whether a tap makes sense: each is judged by itself, so that one that does not holds up no other."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from math import isfinite
from uuid import UUID

from django.db.models import Q

from jobs.clock import Event, is_gone
from jobs.models import Cause, ClockEvent, Correction, Element, Stage, StageEdge, TapKind
from jobs.routes import active_edges, descendants
from jobs.services.clock_reach import event_of, events_read
from shop.models import Machine, Person, Shop

OLDEST = timedelta(days=366)
"""An older tap is a device's clock gone wrong."""

PRESSED = frozenset(set(TapKind.values) - {TapKind.SITTING})
"""What a device may send; a recorded sitting comes with a correction only."""

ENDS_ELEMENT = (TapKind.LAP, TapKind.FINISH, TapKind.NEXT, TapKind.ASIDE, TapKind.SITTING)
BEGINS = (TapKind.START, TapKind.RESUME, TapKind.NEXT, TapKind.FINISH, TapKind.SITTING)
LONGEST_NOTE = 200
MOST_SCRAPPED = 1_000_000


@dataclass(frozen=True)
class Tap:
    """One press as a device sends it. at: aware, by the device's clock. The keys are of rows.

    offset: how far the device's clock was behind the server's when it was pressed, if it knew (None: as at sending).
    scrapped: pieces, and wasted_m: film, m of roll, where work is done again.
    until, hands_on_min: of a recorded sitting, which only a correction may bring.
    """

    id: UUID
    kind: str
    stage: int
    at: datetime
    to_stage: int | None = None
    person: int | None = None
    machine: int | None = None
    cause: int | None = None
    corrects: UUID | None = None
    element: int | None = None
    scrapped: int | None = None
    wasted_m: float | None = None
    offset: timedelta | None = None
    name_unproven: bool = False
    note: str = ""
    until: datetime | None = None
    hands_on_min: float | None = None


@dataclass(frozen=True)
class Known:
    """The shop's rows that a sending names, by key; begun: the named stages that ever began, or do with it."""

    stages: Mapping[int, Stage]
    people: Mapping[int, Person]
    machines: Mapping[int, Machine]
    causes: Mapping[int, Cause]
    elements: Mapping[int, Element]
    events: Mapping[UUID, ClockEvent]
    begun: frozenset[int] = field(default=frozenset())


def known_to(shop: Shop, taps: Sequence[Tap]) -> Known:
    """The rows that these taps name."""

    def keys(*names: str) -> list[int]:
        return list({key for tap in taps for name in names if (key := getattr(tap, name)) is not None})

    return Known(
        Stage.objects.of(shop).in_bulk(keys("stage", "to_stage")),
        Person.objects.of(shop).in_bulk(keys("person")),
        Machine.objects.of(shop).in_bulk(keys("machine")),
        Cause.objects.of(shop).in_bulk(keys("cause")),
        Element.objects.of(shop).in_bulk(keys("element")),
        ClockEvent.objects.in_bulk([tap.id for tap in taps]),
        _begun(shop, taps),
    )


def _begun(shop: Shop, taps: Sequence[Tap]) -> frozenset[int]:
    """The stages that 'again' taps name and for which there is anything that begins them, counted or not.

    Whether that happened before is for the fold to say: taps may arrive in any order.
    """
    asked = {tap.to_stage or tap.stage for tap in taps if tap.kind == TapKind.AGAIN}
    if not asked:
        return frozenset()
    sent = {key for tap in taps if tap.kind in BEGINS for key in (tap.stage, tap.to_stage)}
    here = Q(stage__in=asked, kind__in=BEGINS) | Q(to_stage__in=asked, kind=TapKind.NEXT)
    stored = ClockEvent.objects.of(shop).filter(here).values_list("stage", "to_stage")
    return frozenset(asked & (sent | {key for pair in stored for key in pair}))


def repeat_problem(shop: Shop, tap: Tap, correction: Correction | None, before: ClockEvent) -> str:
    """Why a tap whose id is known is not simply a repeat; empty if it is one."""
    same = (
        before.shop_id == shop.pk
        and (before.kind, before.stage_id, before.to_stage_id) == (tap.kind, tap.stage, tap.to_stage)
        and (before.person_id, before.machine_id, before.cause_id) == (tap.person, tap.machine, tap.cause)
        and (before.corrects, before.device_at, before.until) == (tap.corrects, tap.at, tap.until)
        and (before.element_id, before.scrapped, before.wasted_m) == (tap.element, tap.scrapped, tap.wasted_m)
        and (before.hands_on_min, before.note) == (tap.hands_on_min, tap.note)
        and before.name_unproven == tap.name_unproven
        and before.correction_id == (correction.pk if correction else None)
    )
    return "" if same else "This id was already used for another tap. Make a new id for each tap."


def problem_of(
    shop: Shop, tap: Tap, correction: Correction | None, known: Known, at: datetime, received_at: datetime
) -> str:
    """Why a new tap cannot be stored; empty if it can."""
    age = received_at - at
    if age > OLDEST and correction is None:
        return f"This tap is {age.days:,} days old. Put the device's clock right, then press again."
    if tap.kind not in (TapKind.values if correction else PRESSED):
        return f"There is no tap {tap.kind!r}. Taps: {', '.join(sorted(PRESSED))}."
    stage = known.stages.get(tap.stage)
    if stage is None:
        return "There is no such stage in this shop."
    return (
        _missing_problem(tap, known)
        or _to_stage_problem(tap, stage, known)
        or _corrects_problem(tap, correction)
        or _element_problem(tap, stage, known)
        or _amounts_problem(tap)
        or _sitting_problem(tap, received_at)
    )


def _missing_problem(tap: Tap, known: Known) -> str:
    rows: Iterable[tuple[str, int | None, Mapping[int, object]]] = (
        ("person", tap.person, known.people),
        ("machine", tap.machine, known.machines),
        ("cause", tap.cause, known.causes),
        ("element", tap.element, known.elements),
    )
    missing = (name for name, key, found in rows if key is not None and key not in found)
    return next((f"There is no such {name} in this shop." for name in missing), "")


def _to_stage_problem(tap: Tap, stage: Stage, known: Known) -> str:
    to_stage = known.stages.get(tap.to_stage or 0)
    elsewhere = to_stage is None or to_stage.job_id != stage.job_id
    if tap.kind == TapKind.NEXT:
        if elsewhere or tap.to_stage == tap.stage:
            return "'next' needs to_stage: another stage of the same job."
    elif tap.kind == TapKind.AGAIN:
        if tap.to_stage is not None and (elsewhere or not _leads_to(tap.to_stage, stage)):
            return "'again' goes back to a to_stage of the same job that leads to this stage."
        if (tap.to_stage or tap.stage) not in known.begun:
            return "A stage that was never begun cannot be done again: start it instead."
    elif tap.to_stage is not None:
        return f"Only 'next' and 'again' have a to_stage, not {tap.kind!r}."
    return ""


def _leads_to(key: int, stage: Stage) -> bool:
    """Whether a stage is this one, or comes before it in the job's route."""
    if key == stage.pk:
        return True
    edges = StageEdge.objects.filter(before__job=stage.job_id)
    return stage.pk in descendants(key, active_edges(list(stage.job.stages.all()), edges))


def _corrects_problem(tap: Tap, correction: Correction | None) -> str:
    if tap.kind == TapKind.VOID and tap.corrects is None:
        return "'void' needs corrects: the id of the tap that it takes back."
    if tap.corrects is not None and tap.kind != TapKind.VOID and correction is None:
        return "A tap takes back another by 'void'; another is put in its place on the record of the job's clock."
    return ""


def _element_problem(tap: Tap, stage: Stage, known: Known) -> str:
    if tap.element is None:
        return ""
    if tap.kind not in ENDS_ELEMENT:
        return f"{tap.kind!r} ends no element. Leave element out."
    if known.elements[tap.element].kind_id != stage.kind_id:
        return f"That element does not belong to '{stage.name}'. Choose one of its own, or none."
    return ""


def _amounts_problem(tap: Tap) -> str:
    if tap.kind != TapKind.AGAIN and not (tap.scrapped is None and tap.wasted_m is None):
        return f"Only 'again' has scrapped and wasted_m, not {tap.kind!r}."
    if tap.scrapped is not None and not 0 <= tap.scrapped <= MOST_SCRAPPED:
        return f"scrapped: pieces, from 0 to {MOST_SCRAPPED:,}."
    if tap.wasted_m is not None and not (isfinite(tap.wasted_m) and tap.wasted_m >= 0):
        return "wasted_m: metres of film, 0 or more."
    if len(tap.note) > LONGEST_NOTE:
        return f"note: at most {LONGEST_NOTE} characters, not {len(tap.note)}."
    return ""


def _sitting_problem(tap: Tap, received_at: datetime) -> str:
    if tap.kind != TapKind.SITTING:
        given = tap.until is not None or tap.hands_on_min is not None
        return f"Only a recorded sitting has until and hands_on_min, not {tap.kind!r}." if given else ""
    if tap.until is None or tap.until <= tap.at:
        return "A recorded sitting needs until: an end after its beginning."
    if tap.until > received_at:
        return "A recorded sitting cannot end in the future."
    length = (tap.until - tap.at) / timedelta(minutes=1)
    if tap.hands_on_min is not None and not 0 <= tap.hands_on_min <= length:
        return f"hands_on_min: minutes from 0 to the {length:g} of the sitting."
    return ""


def settled_problem(shop: Shop, corrects: UUID, fresh: Iterable[ClockEvent]) -> str:
    """Why a correction cannot be of the event that it names; empty if it can. fresh: stored with it, before it."""
    new = list(fresh)
    if not (
        any(event.pk == corrects for event in new) or ClockEvent.objects.of(shop).filter(pk=corrects).exists()
    ):
        return "There is no such tap to correct."
    found: dict[UUID, Event] = {}
    asked = {corrects}
    while asked:
        rows = [*events_read(ClockEvent.objects.of(shop).filter(corrects__in=asked))]
        rows += [event_of(event) for event in new if event.corrects in asked]
        asked = {event.id for event in rows} - found.keys()
        found.update((event.id, event) for event in rows)
    if is_gone(corrects, found.values()):
        return "That tap was already put right or taken back. Look at the record again."
    return ""
