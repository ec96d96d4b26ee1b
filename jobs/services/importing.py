"""Uploaded logs on their way in: kept, looked at, brought in by a worker, and forgotten again.

A draft holds all that a worker needs, so the message to it carries only its key. Bringing in is safe to begin twice:
the rows have ids of their own, and the draft's row is the lock.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.db import transaction
from django.utils import timezone

from jobs.importing.columns import DRIVER, signature_of
from jobs.importing.preview import (
    Understood,
    columns_for,
    known_drivers,
    preview_of,
    understand,
)
from jobs.importing.problems import BadFile
from jobs.importing.reading import wrong_with
from jobs.importing.uploads import Upload, read_upload
from jobs.importing.writing import Imported, log_write
from jobs.models import ColumnMapping, DraftState, ImportDraft
from jobs.signals import history_written
from shop.errors import BadInput, ShopError
from shop.models import Shop, User

log = logging.getLogger(__name__)

KEPT = timedelta(days=7)
"""How long an uploaded file is kept that was not brought in."""

MOST_OPEN = 5
"""Uploads of one shop that wait to be looked at; a further one takes the place of the oldest."""

MOST_TRIES = 3
STALE = timedelta(minutes=15)
"""After which a draft that is being brought in is taken to have lost its worker: above a task's longest time."""

STEPS = ("Reading and checking", "Writing", "Learning")
_OPEN = (DraftState.PREVIEW, DraftState.FAILED)


def draft_make(shop: Shop, user: User | None, name: str, content: bytes) -> ImportDraft:
    """Keep an uploaded file, with its columns as they were read the last time, or guessed.

    Raises BadFile for one that cannot be read as a table; then nothing is kept.
    """
    upload = read_upload(content)
    columns, from_last = columns_for(shop, upload)
    shown = preview_of(shop, upload, columns, from_last=from_last)
    open_now = ImportDraft.objects.of(shop).filter(state=DraftState.PREVIEW).order_by("-made_at")
    with transaction.atomic():
        old = list(open_now.values_list("pk", flat=True))[MOST_OPEN - 1 :]
        ImportDraft.objects.filter(pk__in=old).delete()
        return ImportDraft.objects.create(
            shop=shop, made_by=user, name=name[-200:], content=content, columns=columns, result=shown
        )


def draft_read_as(draft: ImportDraft, columns: Mapping[str, str]) -> None:
    """Read a draft's columns otherwise, and look at it again. columns: of the file, to what each is read as.

    Raises ShopError where it is too late for that.
    """
    _check_open(draft)
    upload = read_upload(bytes(draft.content))
    chosen = {label: columns.get(label, "") for label in upload.table.columns}
    draft.columns = chosen
    draft.result = preview_of(draft.shop, upload, chosen, from_last=False)
    draft.state, draft.step = DraftState.PREVIEW, ""
    draft.save(update_fields=["columns", "result", "state", "step"])


def draft_want(draft: ImportDraft) -> None:
    """Ask for a draft to be brought in. Asking twice changes nothing; raises ShopError where it is not fit for it."""
    if draft.state in (DraftState.WANTED, DraftState.RUNNING, DraftState.DONE):
        return
    _check_open(draft)
    if draft.result.get("wrong"):
        raise ShopError(draft.result["wrong"][0])
    if draft.result.get("problems"):
        raise ShopError("Some rows are wrong. Put them right in the file and choose it again.")
    shown = {
        name: value for name, value in draft.result.items() if name not in ("failed", "tries", "claimed_at")
    }
    rows = ImportDraft.objects.filter(pk=draft.pk, state__in=_OPEN)
    rows.update(state=DraftState.WANTED, step="", result=shown)


def draft_discard(draft: ImportDraft) -> None:
    """Throw a draft away that was not brought in. Raises ShopError where it is too late for that."""
    found, _ = ImportDraft.objects.filter(pk=draft.pk, state__in=_OPEN).delete()
    if not found:
        raise ShopError("It is being brought in, or was brought in already.")


def draft_understood(draft: ImportDraft) -> Understood | None:
    """A draft read again in full; None where its columns cannot be read, or its content is gone."""
    if not draft.content or draft.result.get("wrong"):
        return None
    return understand(draft.shop, read_upload(bytes(draft.content)), draft.columns)


def draft_bring_in(draft_id: int) -> None:
    """Bring a wanted draft in and have it learned. Does nothing for one that nobody wants, or that is done."""
    draft = _claimed(draft_id)
    if draft is None:
        return
    try:
        if "written" not in draft.result and not _write(draft):
            return  # another worker has it
    except BadInput as bad:
        _end(draft, DraftState.FAILED, {**draft.result, "failed": bad.message})
        return
    if draft.result["written"]["new_rows"]:
        history_written.send(sender=Shop, shop=draft.shop, progress=lambda text: _step(draft, 2, text))
    kept = {name: draft.result[name] for name in ("kind", "written")}
    _end(draft, DraftState.DONE, kept, content=b"", columns={})


def drafts_sweep(now: datetime) -> None:
    """Bring in what no message told of or what lost its worker, and forget what was kept long enough."""
    old = ImportDraft.objects.filter(made_at__lt=now - KEPT)
    old.filter(state=DraftState.PREVIEW).delete()
    old.exclude(content=b"").update(content=b"")
    waiting = ImportDraft.objects.filter(state__in=(DraftState.WANTED, DraftState.RUNNING))
    for draft in waiting.defer("content").order_by("made_at"):
        if draft.state == DraftState.WANTED or _is_stale(draft, now):
            ImportDraft.objects.filter(pk=draft.pk, state=DraftState.RUNNING).update(state=DraftState.WANTED)
            draft_bring_in(draft.pk)


def _check_open(draft: ImportDraft) -> None:
    if draft.state not in _OPEN:
        raise ShopError("It is being brought in, or was brought in already.")
    if not draft.content:
        raise ShopError("The file was kept for seven days and is gone. Choose it again.")


def _is_stale(draft: ImportDraft, now: datetime) -> bool:
    # The embedded worker does one task at a time: while it sweeps, it brings nothing in.
    claimed = draft.result.get("claimed_at")
    return settings.EMBEDDED or claimed is None or datetime.fromisoformat(claimed) < now - STALE


def _claimed(draft_id: int) -> ImportDraft | None:
    """The draft, now this worker's; None where it is not wanted or was tried often enough."""
    with transaction.atomic():
        rows = ImportDraft.objects.select_for_update().filter(pk=draft_id, state=DraftState.WANTED)
        draft = rows.first()
        if draft is None:
            return None
        tries = draft.result.get("tries", 0) + 1
        if tries > MOST_TRIES:
            why = "It was tried three times and did not come to an end. The program’s log says more."
            _end(draft, DraftState.FAILED, {**draft.result, "failed": why})
            return None
        draft.result = {**draft.result, "tries": tries, "claimed_at": timezone.now().isoformat()}
        draft.state, draft.step = DraftState.RUNNING, STEPS[0]
        draft.save(update_fields=["state", "step", "result"])
    return ImportDraft.objects.select_related("shop").get(pk=draft.pk)


def _write(draft: ImportDraft) -> bool:
    """Write the draft's log into the shop, once; whether this worker did.

    Raises BadInput, and then nothing was written.
    """
    upload, seen = _read(draft)
    _step(draft, 1, f"{seen.plan.new_rows:,} rows")
    with transaction.atomic():
        row = ImportDraft.objects.select_for_update().defer("content").get(pk=draft.pk)
        if row.state != DraftState.RUNNING or "written" in row.result:
            return False
        done = log_write(draft.shop, seen.log)
        mapping_keep(draft.shop, upload, draft.columns, seen)
        draft.result = {**row.result, "kind": upload.kind, "written": _written(done, seen)}
        ImportDraft.objects.filter(pk=draft.pk).update(result=draft.result)
    return True


def _read(draft: ImportDraft) -> tuple[Upload, Understood]:
    if not draft.content:
        raise BadFile("The file was kept for seven days and is gone. Choose it again.")
    upload = read_upload(bytes(draft.content))
    wrong = wrong_with(upload.table, draft.columns, known_drivers(draft.shop))
    if wrong:
        raise BadFile(wrong[0])
    seen = understand(draft.shop, upload, draft.columns)
    if seen.problems:
        raise BadFile.of_rows(seen.problems, seen.checked.rows)
    return upload, seen


def mapping_keep(shop: Shop, upload: Upload, columns: Mapping[str, str], seen: Understood) -> None:
    """Remember how a layout of file was read; what was a new driver is one of the shop's by then."""
    made = {seen.reading.labels[driver.key]: DRIVER + driver.key for driver in seen.reading.new}
    ColumnMapping.objects.update_or_create(
        shop=shop,
        signature=signature_of(upload.table.columns),
        defaults={"columns": {**columns, **made}, "used_at": timezone.now()},
    )


def _written(done: Imported, seen: Understood) -> dict[str, Any]:
    return {
        "rows": done.rows,
        "new_rows": done.new_rows,
        "jobs": done.jobs,
        "stages": done.stages,
        "clashes": done.clashes,
        "made": seen.made_named(done.made),
    }


def _step(draft: ImportDraft, number: int, detail: str = "") -> None:
    """Say what is being done. number: of STEPS."""
    text = f"{STEPS[number]}: {detail}" if detail else STEPS[number]
    ImportDraft.objects.filter(pk=draft.pk).update(step=text[:200])


def _end(draft: ImportDraft, state: DraftState, result: dict[str, Any], **more: object) -> None:
    rows = ImportDraft.objects.filter(pk=draft.pk, state__in=(DraftState.RUNNING, DraftState.WANTED))
    rows.update(state=state, step="", result=result, **more)
