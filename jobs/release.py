"""The static files that the floor pages need without a connection, and a name for them as they are."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

from django.conf import settings
from django.contrib.staticfiles.finders import get_finders
from django.contrib.staticfiles.storage import staticfiles_storage
from django.core.files.storage import Storage

WANTED = (
    "shop/css/",
    "shop/js/",
    "shop/vendor/fonts/",
    "shop/icons/",
    "shop/favicon.svg",
    "jobs/css/",
    "jobs/js/",
)
KINDS = (".css", ".js", ".woff2", ".svg", ".png")


@dataclass(frozen=True)
class Release:
    """Addresses of files. lasting: those whose content never changes, since their name says what is in them."""

    version: str
    files: list[str]
    lasting: list[str]


def release() -> Release:
    """What a device keeps. Read once, but every time while developing."""
    return _read() if settings.DEBUG else _once()


def _read() -> Release:
    files: list[str] = []
    lasting: list[str] = []
    digest = hashlib.sha256()
    for path, storage in sorted(_found(), key=lambda one: one[0]):
        with storage.open(path) as file:
            digest.update(path.encode() + b"\0" + file.read())
        named, plain = staticfiles_storage.url(path), f"{settings.STATIC_URL}{path}"
        if named != plain:
            lasting.append(named)
        # Modules and style sheets name one another as they are, so scripts are also kept by their plain names.
        if named == plain or path.endswith(".js"):
            files.append(plain)
    digest.update(repr((files, lasting)).encode())
    return Release(digest.hexdigest()[:16], files, lasting)


_once = lru_cache(maxsize=1)(_read)


def _found() -> Iterator[tuple[str, Storage]]:
    seen = set()
    for finder in get_finders():
        for path, storage in finder.list([]):
            if path.startswith(WANTED) and path.endswith(KINDS) and path not in seen:
                seen.add(path)
                yield path, storage
