"""Uploaded logs on their way in: kept, looked at, brought in by a worker, and forgotten again.

A draft holds all that a worker needs, so the message to it carries only its key. Bringing in is safe to begin twice:
the rows have ids of their own, and a worker writes only while the draft is its own.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.utils import timezone

from jobs.importing.columns import DRIVER, signature_of
from jobs.importing.preview import (
    MOST_NAMES,
    Understood,
    columns_for,
    known_drivers,
    order_said,
    preview_of,
    understand,
)
from jobs.importing.problems import BadFile
from jobs.importing.reading import wrong_with
from jobs.importing.uploads import Upload, read_upload
from jobs.importing.writing import Hooks, Imported, log_write
from jobs.models import ColumnMapping, DraftState, Driver, ImportDraft
from jobs.services.import_claims import Lost, breathe, check_claim, claim, is_stale, release, say
from jobs.services.taking_out import take_out
from jobs.signals import history_written
from shop.errors import BadInput, ShopError
from shop.models import Shop, User

log = logging.getLogger(__name__)

KEPT = timedelta(days=7)
"""How long an uploaded file is kept that was not brought in."""

MOST_OPEN = 5
"""Uploads of one shop that wait to be looked at; a further one takes the place of the oldest."""

MOST_TRIES = 3

TOO_LATE = "It is being brought in, or was brought in already."
STEPS = ("Reading and checking", "Writing", "Learning")
_OPEN = (DraftState.PREVIEW, DraftState.FAILED)
_UNDER_WAY = (DraftState.WANTED, DraftState.RUNNING)


def draft_make(shop: Shop, user: User | None, name: str, content: bytes) -> ImportDraft:
    """Keep an uploaded file, with its columns as they were read the last time, or guessed.

    Raises BadFile for one that cannot be read as a table; then nothing is kept.
    """
    upload = read_upload(content)
    columns, dates, from_last = columns_for(shop, upload)
    shown = preview_of(shop, upload, columns, dates, timezone.now(), from_last=from_last)
    open_now = ImportDraft.objects.of(shop).filter(state=DraftState.PREVIEW).order_by("-made_at")
    with transaction.atomic():
        old = list(open_now.values_list("pk", flat=True))[MOST_OPEN - 1 :]
        open_now.filter(pk__in=old).delete()
        return ImportDraft.objects.create(
            shop=shop,
            made_by=user,
            name=name[-200:],
            content=content,
            columns=columns,
            dates=dates,
            result=shown,
        )


def draft_read_as(draft: ImportDraft, columns: Mapping[str, str], dates: str = "") -> None:
    """Read a draft's columns otherwise, and look at it again. columns: of the file, to what each is read as.

    dates: the order of day and month, of `Order`, for a file that does not show it. Raises ShopError where it is too
    late for that.
    """
    _check_open(draft)
    upload = read_upload(bytes(draft.content))
    chosen = {label: columns.get(label, "") for label in upload.table.columns}
    said = order_said(dates)
    draft.columns, draft.dates = chosen, said.value if said else ""
    draft.result = preview_of(draft.shop, upload, chosen, draft.dates, timezone.now(), from_last=False)
    draft.state, draft.step = DraftState.PREVIEW, ""
    # Looking takes a while, in which somebody may have asked for it to be brought in.
    names = ("columns", "dates", "result", "state", "step")
    rows = ImportDraft.objects.filter(pk=draft.pk, state__in=_OPEN)
    if not rows.update(**{name: getattr(draft, name) for name in names}):
        raise ShopError(TOO_LATE)


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
        name: value
        for name, value in draft.result.items()
        if name not in ("failed", "tries", "claimed_at", "claim")
    }
    rows = ImportDraft.objects.filter(pk=draft.pk, state__in=_OPEN)
    rows.update(state=DraftState.WANTED, step="", result=shown)


def draft_discard(draft: ImportDraft) -> None:
    """Throw a draft away that was not brought in. Raises ShopError where it is too late for that."""
    found, _ = ImportDraft.objects.filter(pk=draft.pk, state__in=_OPEN).delete()
    if not found:
        raise ShopError(TOO_LATE)


def draft_understood(draft: ImportDraft) -> Understood | None:
    """A draft read again in full; None where its columns cannot be read, or its content is gone."""
    if not draft.content or draft.result.get("wrong"):
        return None
    return understand(draft.shop, read_upload(bytes(draft.content)), draft.columns, draft.dates)


def draft_bring_in(draft_id: int) -> None:
    """Bring a wanted draft in and have it learned. Does nothing for one that nobody wants, or that is done.

    One whose worker was lost is gone on with where it stopped.
    """
    states = {DraftState.WANTED: DraftState.RUNNING, DraftState.RUNNING: DraftState.RUNNING}
    record = claim(draft_id, states, timezone.now())
    if record is None:
        return
    try:
        _bring_in(record)
    except Lost:
        log.warning("Import %s is with another worker now.", draft_id)


def _bring_in(record: ImportDraft) -> None:
    if record.result["tries"] > MOST_TRIES and "failed" not in record.result:
        record.result["failed"] = (
            "It was tried three times and did not come to an end. The program’s log says more."
        )
    if "failed" in record.result:
        import_give_up(record, record.result["failed"])
        return
    try:
        if "written" not in record.result:
            _write(record)
    except BadInput as bad:
        import_give_up(record, bad.message)
        return
    import_end(record)


def import_end(record: ImportDraft) -> None:
    """Have what was written learned, and forget the file."""
    if record.result["written"]["new_rows"]:
        learn(record, lambda text: _step(record, 2, text))
    kept = ("kind", "written", "claim", "command")
    record.result = {name: record.result[name] for name in kept if name in record.result}
    release(record, DraftState.DONE, content=b"", columns={})


def import_give_up(record: ImportDraft, why: str) -> None:
    """Take out again what was written of an import that cannot be brought in, and say why."""
    record.result["failed"] = why
    _step(record, 1, "taking it out again")
    out = take_out(record, lambda text: _step(record, 1, text))
    if out.rows:
        learn(record, lambda text: _step(record, 2, text))
    if out.kept:
        record.result["failed"] += (
            f" {len(out.kept):,} of its jobs stay, for somebody has clocked on them or changed them meanwhile."
        )
    release(record, DraftState.FAILED, columns=record.result.pop("asked", record.columns), made={})


def learn(record: ImportDraft, progress: Callable[[str], None]) -> None:
    """Have the record's shop learned anew, from what stands in it now."""
    history_written.send(sender=Shop, shop=record.shop, progress=progress)


def drafts_sweep(now: datetime) -> None:
    """Bring in what no message told of or what lost its worker, and forget what was kept long enough."""
    old = ImportDraft.objects.filter(made_at__lt=now - KEPT)
    old.filter(state=DraftState.PREVIEW).delete()
    old.exclude(content=b"").exclude(state__in=_UNDER_WAY).update(content=b"")
    waiting = ImportDraft.objects.filter(state__in=_UNDER_WAY)
    for draft in waiting.defer("content").order_by("made_at"):
        if draft.state == DraftState.WANTED or is_stale(draft, now):
            _unclaim(draft)
            draft_bring_in(draft.pk)


def _unclaim(draft: ImportDraft) -> None:
    """Give up waiting for the draft's worker, if nobody else has it meanwhile."""
    with transaction.atomic():
        rows = ImportDraft.objects.select_for_update().filter(pk=draft.pk).values_list("result", flat=True)
        result = rows.first()
        if result is not None and result.get("claim") == draft.result.get("claim"):
            result.pop("claim", None)
            ImportDraft.objects.filter(pk=draft.pk).update(result=result)


def _check_open(draft: ImportDraft) -> None:
    if draft.state not in _OPEN:
        raise ShopError(TOO_LATE)
    if not draft.content:
        raise ShopError("The file was kept for seven days and is gone. Choose it again.")


def _write(record: ImportDraft) -> None:
    """Write the record's log into the shop. Raises BadInput, and Lost where another worker has it."""
    upload, seen = _read(record)

    def words_made() -> None:
        # What was a new driver is one of the shop's now: read again after a kill, it must not be made a second time.
        record.result.setdefault("asked", record.columns)
        record.columns = columns_made(record.columns, seen)
        ImportDraft.objects.filter(pk=record.pk).update(columns=record.columns, result=record.result)

    done = log_write(record.shop, seen.log, record, hooks_of(record, words_made))
    with transaction.atomic():
        check_claim(record)
        mapping_keep(record.shop, upload, record)
        record.result |= {"kind": upload.kind, "written": written_of(done)}
        ImportDraft.objects.filter(pk=record.pk).update(result=record.result)


def hooks_of(record: ImportDraft, words_made: Callable[[], None] = lambda: None) -> Hooks:
    """How a log is written under a record that this worker has claimed."""
    return Hooks(
        guard=lambda: check_claim(record),
        words_made=words_made,
        between=breathe,
        progress=lambda text: _step(record, 1, text),
    )


def _read(draft: ImportDraft) -> tuple[Upload, Understood]:
    if not draft.content:
        raise BadFile("The file was kept for seven days and is gone. Choose it again.")
    upload = read_upload(bytes(draft.content))
    wrong = wrong_with(upload.table, draft.columns, known_drivers(draft.shop), order_said(draft.dates))
    if wrong:
        raise BadFile(wrong[0])
    seen = understand(draft.shop, upload, draft.columns, draft.dates)
    if seen.problems:
        raise BadFile.of_rows(seen.problems, seen.checked.rows)
    return upload, seen


def columns_made(columns: Mapping[str, str], seen: Understood) -> dict[str, str]:
    """How the columns are read once what was a new driver is one of the shop's."""
    made = {seen.reading.labels[driver.key]: DRIVER + driver.key for driver in seen.reading.new}
    return {**columns, **made}


def mapping_keep(shop: Shop, upload: Upload, record: ImportDraft) -> None:
    """Remember how a layout of file was read."""
    ColumnMapping.objects.update_or_create(
        shop=shop,
        signature=signature_of(upload.table.columns),
        defaults={"columns": record.columns, "dates": record.dates, "used_at": timezone.now()},
    )


def written_of(done: Imported) -> dict[str, Any]:
    """What an import did, as JSON keeps it for the page: new drivers by their names."""
    names = dict(Driver.objects.of(done.shop).values_list("key", "name"))
    made = []
    for what, new in done.made.items():
        shown = [names.get(name, name) if what in ("drivers", "categories") else name for name in new]
        made.append([what, len(shown), shown[:MOST_NAMES]])
    return {
        "rows": done.rows,
        "new_rows": done.new_rows,
        "jobs": done.jobs,
        "stages": done.stages,
        "clashes": done.clashes,
        "made": made,
    }


def _step(record: ImportDraft, number: int, detail: str = "") -> None:
    """Say what is being done. number: of STEPS."""
    say(record, f"{STEPS[number]}: {detail}" if detail else STEPS[number])
