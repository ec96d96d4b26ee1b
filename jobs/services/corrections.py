"""Corrections of a job's clock: always new events, in one transaction, with who, when, why, before and after."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import count
from uuid import UUID, uuid4, uuid5

from django.db import transaction

from jobs.models import ClockEvent, Correction, Element, Job, Stage, StageKind, TapKind
from jobs.services.change_effect import Effect, effect_of
from jobs.services.changes import Change
from jobs.services.changes_stops import ForgottenStop, SheetEntry, Undo, Vouch
from jobs.services.elements import element_add, element_restore
from jobs.services.job_clock import clock_state, job_clock
from jobs.services.tap_checks import Tap
from jobs.services.taps import MOST, record_taps
from jobs.sheets import SheetElement
from shop.errors import BadInput, ShopError
from shop.models import Person, Shop, User

LONGEST_REASON = 200

REASONS = (
    "Pressed late",
    "Pressed too early",
    "Stop was forgotten",
    "Wrong stage",
    "Pressed by mistake",
    "Not clocked at the time",
    "From a timed sheet",
)
"""What it mostly is, to choose from; any other words will do."""

OWN_UNDO = timedelta(seconds=30)
"""How long those who made a correction may undo it themselves; the page offers it for ten seconds."""


class ClockMoved(ShopError):
    """The clock has changed since the form was made."""

    title = "The clock moved meanwhile"


def preview(job: Job, change: Change, now: datetime) -> Effect:
    """What a change would do; nothing is written. Raises BadInput or ShopError as `correct` would."""
    keys = _keys(uuid4())
    return effect_of(job, change.taps(job_clock(job), now, lambda: next(keys)), now)


@transaction.atomic
def correct(
    job: Job,
    change: Change,
    *,
    reason: str,
    user: User | None,
    now: datetime,
    key: UUID | None = None,
    made_from: str = "",
) -> Correction:
    """Put a job's clock right. The same `key` again gives the correction that was made with it.

    made_from: `clock_state` as it was when somebody decided this; ClockMoved where it is another now. Raises
    BadInput, and ShopError where an undo is not possible.
    """
    # The shop's row is the lock: nothing is clocked between what is read here and what is written.
    shop = Shop.objects.select_for_update().get(pk=job.shop_id)
    key = key or uuid4()
    known = Correction.objects.filter(pk=key).first()
    if known is not None:
        if known.shop_id != shop.pk or known.job_id != job.pk:
            raise BadInput("This id was already used. Open the form again.")
        return known
    if made_from and made_from != clock_state(job):
        raise ClockMoved("The clock of this job moved meanwhile. Look at how it stands now, then save again.")
    reason = _reason(reason)
    if isinstance(change, SheetEntry):
        change = replace(change, keys=_elements(change.stage.kind, change.elements))
    keys = _keys(key)
    taps = _carried(change.taps(job_clock(job), now, lambda: next(keys)))
    effect = effect_of(job, taps, now)
    correction = Correction.objects.create(
        id=key,
        shop=shop,
        job=job,
        kind=change.kind,
        reason=reason,
        by=user,
        at=now,
        before=effect.kept(after=False, now=now),
        after=effect.kept(after=True, now=now),
        undoes=change.correction if isinstance(change, Undo) else None,
    )
    _record(shop, user, taps, correction, now)
    return correction


def forgotten_stop(
    stage: Stage,
    person: Person | None,
    stopped_at: datetime,
    *,
    finished: bool,
    machine_too: bool = True,
    reason: str,
    user: User | None,
    now: datetime,
) -> Correction:
    """Somebody stopped at `stopped_at` and did not press; None: the machine, or the hold, by itself."""
    change = ForgottenStop(stage, person.pk if person else None, stopped_at, finished, machine_too)
    return correct(stage.job, change, reason=reason, user=user, now=now)


def vouch(stage: Stage, until: datetime, *, reason: str, user: User | None, now: datetime) -> Correction:
    """What was clocked on a stage up to `until` is as it was."""
    return correct(stage.job, Vouch(stage, until), reason=reason, user=user, now=now)


def undo(
    correction: Correction,
    *,
    reason: str = "Undone",
    user: User | None,
    now: datetime,
    key: UUID | None = None,
) -> Correction:
    """Take a correction back; of an undo: what it undid holds again. Raises ShopError where later ones rest on it."""
    undone_by = Correction.objects.filter(undoes=correction).first()
    if undone_by is not None and undone_by.pk != key:
        raise ShopError("That is undone already. To have it back, undo the undoing.")
    return correct(correction.job, Undo(correction), reason=reason, user=user, now=now, key=key)


def new_elements(kind: StageKind, elements: tuple[SheetElement, ...]) -> list[str]:
    """The names on a sheet that no element of the kind in use has, as they would be made."""
    known = {
        name.lower() for name in Element.objects.filter(kind=kind, active=True).values_list("name", flat=True)
    }
    found: dict[str, str] = {}
    for one in elements:
        if one.name.lower() not in known:
            found.setdefault(one.name.lower(), one.name)
    return list(found.values())


def _elements(kind: StageKind, elements: tuple[SheetElement, ...]) -> dict[str, int]:
    """The keys of a sheet's elements by their names in small letters; those missing are made."""
    known = {row.name.lower(): row for row in Element.objects.filter(kind=kind)}
    for name in new_elements(kind, elements):
        row = known.get(name.lower())
        if row is None:
            known[name.lower()] = element_add(kind, name)
        else:
            element_restore(row)
    return {name: row.pk for name, row in known.items()}


def _carried(taps: list[Tap]) -> list[Tap]:
    """The taps with what the fold does not read of the events in whose place they stand."""
    rows = ClockEvent.objects.in_bulk([tap.corrects for tap in taps if tap.corrects])
    found = []
    for tap in taps:
        row = rows.get(tap.corrects) if tap.corrects else None
        if row is not None and tap.kind == row.kind and tap.kind != TapKind.VOID:
            tap = replace(tap, note=row.note, scrapped=row.scrapped, wasted_m=row.wasted_m)
            tap = replace(tap, name_unproven=row.name_unproven and row.person_id == tap.person)
        found.append(tap)
    return found


def _record(shop: Shop, user: User | None, taps: list[Tap], correction: Correction, now: datetime) -> None:
    if len(taps) > MOST:
        raise BadInput(f"That would be {len(taps)} presses at once; {MOST} is the most. Do it in two steps.")
    outcome = record_taps(
        shop=shop, user=user, taps=taps, sent_at=now, received_at=now, device="record", correction=correction
    )
    problems = [result.problem for result in outcome.results if result.problem]
    if problems:
        raise BadInput(" ".join(dict.fromkeys(problems)))


def _keys(key: UUID) -> Iterator[UUID]:
    """The ids of a correction's events: the same for the same correction."""
    return (uuid5(key, str(i)) for i in count())


def _reason(reason: str) -> str:
    reason = " ".join(reason.split())
    if not reason:
        raise BadInput("Say why, in a few words.", field="reason")
    if len(reason) > LONGEST_REASON:
        raise BadInput(
            f"Say why in at most {LONGEST_REASON} characters; this is {len(reason)}.", field="reason"
        )
    return reason
