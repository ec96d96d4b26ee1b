"""A log brought in from the command line: read strictly, written under a record as an uploaded one is."""

from __future__ import annotations

from pathlib import Path

from django.utils import timezone

from jobs.importing.dates import Order
from jobs.importing.files import read_table
from jobs.importing.sittings import read_log
from jobs.importing.writing import Imported, Progress, log_write
from jobs.models import DraftState, Driver, ImportDraft
from jobs.services.import_claims import claim, release, say
from jobs.services.importing import hooks_of, import_give_up, learn, written_of
from jobs.stock import DRIVERS
from shop.models import Shop
from shop.services import shop_create, weekday_hours_create

NEW_SHOP = "shop"


def import_timings(
    path: Path,
    shop: Shop | None,
    *,
    new_slug: str = "",
    define_drivers: bool = False,
    ignore_unknown: bool = False,
    dates: Order | None = None,
    progress: Progress = lambda text: None,
) -> Imported:
    """Read a file of stage times into a shop, as recorded sittings of finished stages, and have them learned.

    shop: None makes one (UTC, metric, open on weekdays). dates: the order of day and month where the file does not
    show it. progress: called with what is being done. Raises BadFile, which names each bad row; then nothing was
    written. Importing the same file again changes nothing; after a kill it goes on.
    """
    progress(f"Reading {path.name}")
    table = read_table(path)
    known = _drivers(shop)
    zone = shop.zone if shop else Shop().zone
    log = read_log(
        table, zone, known, define_drivers=define_drivers, ignore_unknown=ignore_unknown, dates=dates
    )
    record = _record(shop or _shop_make(new_slug), path.name)
    try:
        done = log_write(record.shop, log, record, hooks_of(record))
    except BaseException as stop:
        import_give_up(record, getattr(stop, "message", "") or "It was stopped before all of it was in.")
        raise
    done.shop_made = shop is None
    if not done.changed:
        record.delete()
        return done
    # From here on all of it is in: what stops the learning is made good by the sweep.
    record.result["written"] = written_of(done)
    say(record, "")
    learn(record, progress)
    release(record, DraftState.DONE)
    return done


def _record(shop: Shop, name: str) -> ImportDraft:
    """The record of this file, claimed: the one that a killed command left, else a new one."""
    mine = ImportDraft.objects.of(shop).filter(name=name[-200:], state=DraftState.RUNNING)
    left = next((one for one in mine.defer("content") if one.result.get("command")), None)
    if left is None:
        result = {"command": True}
        left = ImportDraft.objects.create(
            shop=shop, name=name[-200:], content=b"", state=DraftState.RUNNING, result=result
        )
    found = claim(left.pk, {DraftState.RUNNING: DraftState.RUNNING}, timezone.now(), by_command=True)
    assert found is not None  # noqa: S101 - nobody waits for a command's record
    return found


def _drivers(shop: Shop | None) -> dict[str, bool]:
    """The shop's drivers, or those that a new shop will have: key to whether it is a category."""
    if shop is None:
        return {key: False for key, *_ in DRIVERS}
    return dict(Driver.objects.of(shop).values_list("key", "is_category"))


def _shop_make(slug: str) -> Shop:
    slug = slug or NEW_SHOP
    shop = shop_create(slug=slug, name=slug.replace("-", " ").capitalize())
    weekday_hours_create(shop)
    return shop
