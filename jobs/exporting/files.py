"""A shop's stage times as a file of one kind or another, a piece at a time."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from jobs.exporting.selecting import Period, driver_keys, jobs_exported
from jobs.exporting.tables import csv_chunks, xlsx_chunks
from jobs.exporting.xes import xes_chunks
from shop.errors import BadInput
from shop.models import Shop

TYPES = {
    "csv": "text/csv; charset=utf-8",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "xes": "application/xml",
}
"""Ending of a file to its media type."""


def export_chunks(shop: Shop, ending: str, period: Period | None = None) -> Iterator[bytes]:
    """The bytes of the file. ending: of TYPES; raises BadInput for another."""
    period = period or Period()
    if ending not in TYPES:
        raise BadInput(f"Give a file that ends in {', '.join('.' + each for each in TYPES)}.", field="file")
    jobs = jobs_exported(shop, period)
    if ending == "xes":
        return xes_chunks(jobs, shop.name)
    keys = driver_keys(shop, period)
    return csv_chunks(jobs, keys) if ending == "csv" else xlsx_chunks(jobs, keys)


def export_file(shop: Shop, path: Path, period: Period | None = None) -> int:
    """Write the file, whole or not at all; its size in bytes. Raises BadInput where it cannot be written."""
    chunks = export_chunks(shop, path.suffix.lower().removeprefix("."), period)
    part = path.with_name(f"{path.name}.part")
    try:
        with part.open("wb") as file:
            size = sum(file.write(chunk) for chunk in chunks)
        part.replace(path)
    except OSError as error:
        raise BadInput(f"{path} cannot be written: {error.strerror}.", field="file") from error
    finally:
        part.unlink(missing_ok=True)
    return size
