"""A database with every migration, made once for each state of the sources, and copied wherever a test begins from one.

Applying the migrations takes longer than most tests. A program of which a test wants to see how it begins from nothing
is given an empty folder.
"""

from __future__ import annotations

import contextlib
import getpass
import hashlib
import os
import shutil
import sqlite3
import tempfile
import time
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import django

if TYPE_CHECKING:
    from django.db.backends.base.base import BaseDatabaseWrapper

ROOT = Path(__file__).resolve().parents[1]
KEPT = Path(tempfile.gettempdir()) / f"lapwright-tests-databases-{getpass.getuser()}"
OLD = 86_400.0  # seconds after which a database of other sources is thrown away


@cache
def kept() -> Path:
    """Where the database of these sources is, or would be."""
    digest = hashlib.sha256(f"{django.VERSION} {sqlite3.sqlite_version}".encode())
    for package in ("shop", "jobs", "analytics"):
        for each in sorted((ROOT / package).rglob("*.py")):
            digest.update(str(each.relative_to(ROOT)).encode() + each.read_bytes())
    return KEPT / f"{digest.hexdigest()[:24]}.sqlite3"


def lay_out(at: Path) -> bool:
    """Put the database there; False if nothing has made it yet."""
    try:
        shutil.copyfile(kept(), at)
    except FileNotFoundError:
        return False
    return True


def keep(connection: BaseDatabaseWrapper) -> None:
    """Keep this database, to which nothing was written but the migrations, for those who come after."""
    if kept().exists():
        return
    KEPT.mkdir(mode=0o700, exist_ok=True)
    for other in KEPT.iterdir():
        with contextlib.suppress(FileNotFoundError):
            if time.time() - other.stat().st_mtime > OLD:
                other.unlink()
    connection.ensure_connection()
    made = KEPT / f"{os.getpid()}.part"
    with contextlib.closing(sqlite3.connect(made)) as copy:
        connection.connection.backup(copy)
    made.replace(kept())
