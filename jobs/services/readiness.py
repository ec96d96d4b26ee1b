"""Readiness checks: the list that a shop keeps for each machine, and the results."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

from django.core.files.base import ContentFile
from django.db import transaction

from jobs.services.ordering import free_name, place_last, place_move
from jobs.stock_checks import caution_of, usual_checks
from shop.errors import BadInput, ShopError
from shop.models import CheckOutcome, CheckResult, Machine, Person, Process, ReadinessCheck, Shop, User
from shop.services import revision_raise

LONGEST = 80
MOST_IDLE_HOURS = 24 * 365
MOST_MINUTES = 24 * 60
TAKE_BACK = timedelta(minutes=15)
"""How long one's own result may be taken back; later the owner does it."""


@dataclass(frozen=True)
class CheckFacts:
    """What a shop says of a check. idle_hours: due once the machine stood so long; 0: before each day's first job."""

    name: str
    idle_hours: int = 0
    if_bad: str = ""
    caution: str = ""


@transaction.atomic
def check_save(machine: Machine, facts: CheckFacts, check: ReadinessCheck | None = None) -> ReadinessCheck:
    """Add a check to a machine's list, or change one. Raises BadInput (fields `name`, `idle_hours`)."""
    rows = _rows(machine)
    if not 0 <= facts.idle_hours <= MOST_IDLE_HOURS:
        raise BadInput(
            f"{facts.idle_hours:,} hours idle: give 0 for every day, up to {MOST_IDLE_HOURS:,} for a year.",
            field="idle_hours",
        )
    row = check or ReadinessCheck(shop=machine.shop, machine=machine, position=place_last(rows))
    row.name = free_name(rows, facts.name, check, longest=LONGEST)
    row.idle_hours, row.if_bad, row.caution = facts.idle_hours, facts.if_bad.strip(), facts.caution.strip()
    row.save()
    revision_raise(machine.shop_id)
    return row


@transaction.atomic
def checks_add_usual(machine: Machine) -> list[ReadinessCheck]:
    """Add the usual checks that the machine's list has not got, retired ones neither; those added."""
    rows = _rows(machine)
    known = {row.name.lower() for row in rows}
    processes = process_kinds(machine)
    added: list[ReadinessCheck] = []
    for stock in usual_checks(machine, processes):
        if stock.name.lower() not in known:
            row = ReadinessCheck.objects.create(
                shop=machine.shop,
                machine=machine,
                name=stock.name,
                idle_hours=stock.idle_hours,
                if_bad=stock.if_bad,
                caution=caution_of(stock, processes),
                position=place_last([*rows, *added]),
            )
            added.append(row)
    revision_raise(machine.shop_id)
    return added


def process_kinds(machine: Machine) -> Collection[str]:
    """The kinds of process that a machine prints with: its own, else all that the shop uses."""
    own = set(machine.processes.values_list("kind", flat=True))
    return own or set(Process.objects.of(machine.shop).filter(active=True).values_list("kind", flat=True))


@transaction.atomic
def check_move(check: ReadinessCheck, step: int) -> None:
    """Put a check one place earlier (-1) or later (1) among those in use."""
    place_move([row for row in _rows(check.machine) if row.active or row == check], check, step)
    revision_raise(check.shop_id)


@transaction.atomic
def check_retire(check: ReadinessCheck, *, active: bool) -> ReadinessCheck:
    """Ask for a check no longer, or again; its results stay."""
    check.active = active
    check.save(update_fields=["active"])
    revision_raise(check.shop_id)
    return check


@dataclass(frozen=True)
class Result:
    """How a check turned out. id: made by the client; photo: a JPEG from `photo_clean`, or none."""

    id: UUID
    outcome: str
    person: Person | None = None
    minutes: float | None = None
    note: str = ""
    photo: bytes = b""


@transaction.atomic
def result_record(
    check: ReadinessCheck, result: Result, *, user: User | None, at: datetime, received_at: datetime
) -> CheckResult:
    """Store a result once, however often it is sent. Raises BadInput (fields `outcome`, `minutes`, `id`)."""
    Shop.objects.select_for_update().get(pk=check.shop_id)
    before = CheckResult.objects.filter(pk=result.id).first()
    if before is not None:
        if (before.check_done_id, before.outcome) != (check.pk, result.outcome):
            raise BadInput(
                "That was recorded already, as something else. Reload the page, then press.", field="id"
            )
        return before
    _check_result(result)
    row = CheckResult(
        id=result.id,
        shop=check.shop,
        check_done=check,
        at=at,
        person=result.person,
        outcome=result.outcome,
        minutes=result.minutes,
        note=result.note.replace("\0", "").strip()[:200],
        recorded_by=user,
        received_at=received_at,
    )
    if result.photo:
        row.photo.save(f"{check.shop_id}/{result.id}.jpg", ContentFile(result.photo), save=False)
    row.save(force_insert=True)
    revision_raise(check.shop_id)
    return row


@transaction.atomic
def result_take_back(result: CheckResult, *, user: User, owner: bool, now: datetime) -> CheckResult:
    """Let a result count no longer; it stays on record. Raises ShopError where that is for the owner to do."""
    Shop.objects.select_for_update().get(pk=result.shop_id)
    result.refresh_from_db()
    own = result.recorded_by_id == user.pk and now - result.received_at <= TAKE_BACK
    if not (own or owner):
        minutes = int(TAKE_BACK.total_seconds() // 60)
        raise ShopError(
            f"One’s own result can be taken back for {minutes} minutes; after that the owner does it. "
            "Or do the check again: the last result counts."
        )
    if result.taken_back_at is None:
        result.taken_back_at = now
        result.save(update_fields=["taken_back_at"])
        revision_raise(result.shop_id)
    return result


def _check_result(result: Result) -> None:
    if result.outcome not in CheckOutcome.values:
        raise BadInput("Press how it was: good, put right, or not good.", field="outcome")
    if result.minutes is not None and not 0 <= result.minutes <= MOST_MINUTES:
        raise BadInput(
            f"{result.minutes:g} minutes: give 0 to {MOST_MINUTES:,}, or leave it empty.", field="minutes"
        )


def _rows(machine: Machine) -> list[ReadinessCheck]:
    Shop.objects.select_for_update().get(pk=machine.shop_id)
    return list(ReadinessCheck.objects.filter(machine=machine))
