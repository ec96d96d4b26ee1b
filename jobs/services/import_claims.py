"""Who is at work on an import: a worker's claim, its sign of life, and what it says of how far it is.

A claim is kept with the record and looked at in each transaction that writes, so that a worker which was taken to be
dead, and is not, writes nothing more.
"""

from __future__ import annotations

import time
import uuid
from collections.abc import Mapping
from datetime import datetime, timedelta

from django.conf import settings
from django.db import connection, transaction
from django.utils import timezone

from jobs.models import DraftState, ImportDraft

STALE = timedelta(minutes=15)
"""After which a record with no sign of life is taken to have lost its worker: above the longest that learning takes."""

BREATH = 0.12
"""Seconds between two parts on SQLite: a writer that waits looks again within 0.1 s (sqlite3_busy_timeout's longest
step), and would otherwise find the next part begun."""


class Lost(Exception):
    """Another worker has the import now."""


def claim(
    draft_id: int, states: Mapping[DraftState, DraftState], now: datetime, *, by_command: bool = False
) -> ImportDraft | None:
    """The record, now this worker's; None where it is in another state, or somebody else is at it.

    states: in which it may be, to the one that it is in then. by_command: it is the same command begun again, which
    waits for no worker.
    """
    with transaction.atomic():
        rows = ImportDraft.objects.select_for_update().filter(pk=draft_id, state__in=states)
        record = rows.defer("content").first()
        if record is None:
            return None
        free = record.state == DraftState.WANTED or not record.result.get("claim")
        if not (free or by_command or is_stale(record, now)):
            return None
        result = {**record.result, "claim": uuid.uuid4().hex, "claimed_at": now.isoformat()}
        result["tries"] = record.result.get("tries", 0) + 1
        ImportDraft.objects.filter(pk=record.pk).update(result=result, state=states[DraftState(record.state)])
    return ImportDraft.objects.select_related("shop").get(pk=draft_id)


def is_stale(record: ImportDraft, now: datetime) -> bool:
    """Whether the record's worker is taken to be dead."""
    claimed = record.result.get("claimed_at")
    # The embedded worker does one task at a time: while it sweeps, it brings nothing in. A command is another process.
    alone = settings.EMBEDDED and not record.result.get("command")
    return alone or claimed is None or datetime.fromisoformat(claimed) < now - STALE


def check_claim(record: ImportDraft) -> None:
    """Lock the record and raise Lost if it is no longer this worker's; in a transaction."""
    kept = ImportDraft.objects.select_for_update().filter(pk=record.pk).values_list("state", "result").first()
    if kept is None or (kept[0], kept[1].get("claim")) != (record.state, record.result.get("claim")):
        raise Lost


def say(record: ImportDraft, text: str) -> None:
    """Say what is being done, which is a sign of life too. Raises Lost."""
    with transaction.atomic():
        check_claim(record)
        record.result["claimed_at"] = timezone.now().isoformat()
        ImportDraft.objects.filter(pk=record.pk).update(step=text[:200], result=record.result)


def release(record: ImportDraft, state: str, **facts: object) -> None:
    """Put the record into another state, with nobody at it. Raises Lost."""
    with transaction.atomic():
        check_claim(record)
        for name in ("claim", "claimed_at", "tries", "command"):
            record.result.pop(name, None)
        ImportDraft.objects.filter(pk=record.pk).update(state=state, step="", result=record.result, **facts)
    record.state = state


def breathe() -> None:
    """Let those in who wait to write: of a SQLite file the next part would take the lock again at once."""
    if connection.vendor == "sqlite":
        time.sleep(BREATH)
