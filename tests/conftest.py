"""The suite's own environment, set before Django reads it, and a real browser for the tests that drive one."""

import atexit
import getpass
import os
import shutil
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page
    from pytest_django.live_server_helper import LiveServer

    from shop.models import User


def _own_environment() -> None:
    """Keep the suite off the shop's real data; compiled code is kept from one run to the next."""
    folder = tempfile.mkdtemp(prefix="lapwright-tests-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    (Path(folder) / "static").mkdir()
    compiled = Path(tempfile.gettempdir()) / f"lapwright-tests-numba-{getpass.getuser()}"
    for name in ("DEBUG", "DEMO", "HOST", "PORT", "LOG_LEVEL", "SWEEP_SECONDS", "STATIC_ROOT"):
        os.environ.pop(name, None)
    os.environ["DATA_DIR"] = folder
    os.environ["NUMBA_CACHE_DIR"] = str(compiled)
    os.environ["CELERY_TASK_ALWAYS_EAGER"] = "1"
    os.environ["DJANGO_SETTINGS_MODULE"] = "shop.settings"


_own_environment()

# Only now: reading the settings makes pytest-django set Django up.
from django.conf import settings  # noqa: E402
from django.core.signals import request_finished, request_started  # noqa: E402

# No test collects the static files: on PostgreSQL too they are served from where they lie.
settings.STORAGES["staticfiles"]["BACKEND"] = "django.contrib.staticfiles.storage.StaticFilesStorage"

if settings.DATABASES["default"]["ENGINE"].endswith("sqlite3"):
    # In a file as the program has it: in memory all threads of the live server would share one connection, and with
    # that one transaction. Only a test's machine need not survive a power cut.
    settings.DATABASES["default"].setdefault("TEST", {})["NAME"] = f"{os.environ['DATA_DIR']}/tests.sqlite3"
    settings.DATABASES["default"]["OPTIONS"]["init_command"] = (
        "PRAGMA journal_mode=WAL; PRAGMA synchronous=OFF"
    )
else:
    # Emptying a table by TRUNCATE makes new files for it and each of its indexes: half a second and more for all of
    # them, after every test that commits. They hold few rows, and no test outlives a power cut.
    import django.db.models  # noqa: F401 - what follows cannot be imported before it
    from django.db.backends.postgresql.operations import DatabaseOperations

    def _delete_all(self: Any, style: Any, tables: list[str], **_: Any) -> list[str]:
        return [f"DELETE FROM {self.quote_name(table)}" for table in tables]  # noqa: S608 - our own tables

    DatabaseOperations.sql_flush = _delete_all  # type: ignore[assignment, method-assign]
    settings.DATABASES["default"].setdefault("OPTIONS", {})["options"] = "-c synchronous_commit=off"

CHROMIUM = Path(os.environ.get("CHROMIUM", "/usr/bin/chromium"))
CHROMIUM_SWITCHES = [
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
QUIET, PATIENCE = (
    0.1,
    10.0,
)  # seconds without a request after which none is on its way; and waited for at most
HEIGHTS = {390: 844, 820: 1180, 1440: 900}  # CSS pixels: a phone, a tablet, a laptop


@pytest.fixture(scope="session")
def browser() -> "Iterator[Browser]":
    """A real Chromium, one for the whole run. Each test opens its own context in it, or uses `page_at`."""
    if not CHROMIUM.exists():
        why = f"No browser at {CHROMIUM}: install Chromium, or set CHROMIUM to where it is."
        if os.environ.get("CI") == "true":
            pytest.fail(why)
        pytest.skip(why)
    from playwright.sync_api import sync_playwright

    # The browser's driver runs a loop of its own in this thread; the database is not used from it.
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "1"
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=str(CHROMIUM), args=CHROMIUM_SWITCHES)
        yield chromium
        chromium.close()
    os.environ.pop("DJANGO_ALLOW_ASYNC_UNSAFE", None)


_asked: set[int] = set()  # threads of the live server that answer somebody


@request_started.connect
def _begins(**_: object) -> None:
    if threading.current_thread() is not threading.main_thread():
        _asked.add(threading.get_ident())


@request_finished.connect
def _ends(**_: object) -> None:
    _asked.discard(threading.get_ident())


@pytest.fixture
def answering(live_server: "LiveServer") -> "Iterator[LiveServer]":
    """The live server; afterwards it is done with what closed pages still asked, for then the tables are emptied."""
    yield live_server
    begun = idle = time.monotonic()
    while (now := time.monotonic()) - idle < QUIET and now - begun < PATIENCE:
        idle = now if _asked else idle
        time.sleep(0.01)


@pytest.fixture
def begin_with() -> dict[str, Any]:
    """What a test that begins a Chromium of its own gives Playwright besides."""
    return {"executable_path": str(CHROMIUM), "args": list(CHROMIUM_SWITCHES)}


@pytest.fixture
def page_at(browser: "Browser", answering: "LiveServer") -> "Iterator[Callable[..., Page]]":
    """`page_at(390)`: a fresh page so many CSS pixels wide, whose addresses start at the live server.

    Further words go to Playwright's `new_context`, as color_scheme="dark" or java_script_enabled=False.
    """
    contexts = []

    def page_at(width: int, **options: Any) -> "Page":
        viewport = {"width": width, "height": HEIGHTS.get(width, 900)}
        context = browser.new_context(
            **{"viewport": viewport, "has_touch": width < 1000, "base_url": answering.url, **options}
        )
        contexts.append(context)
        return context.new_page()

    yield page_at
    for context in contexts:
        context.close()


@pytest.fixture
def log_in(answering: "LiveServer") -> "Callable[[Page, User], Page]":
    """`log_in(page, user)`: the page's browser is logged in as `user` from now on, without the log-in page."""
    from django.test import Client

    def log_in(page: "Page", user: "User") -> "Page":
        client = Client()
        client.force_login(user, "django.contrib.auth.backends.ModelBackend")
        name = settings.SESSION_COOKIE_NAME
        page.context.add_cookies([{"name": name, "value": client.cookies[name].value, "url": answering.url}])
        return page

    return log_in


@pytest.fixture
def assert_accessible() -> "Callable[[Page], None]":
    """`assert_accessible(page)`: axe finds nothing wrong with the page as it stands."""
    from axe_playwright_python.sync_playwright import Axe

    axe = Axe()

    def assert_accessible(page: "Page") -> None:
        found = axe.run(page).response["violations"]
        wrong = [f"{each['id']}: {[node['target'] for node in each['nodes']]}" for each in found]
        assert wrong == [], f"{page.url} is not accessible"

    return assert_accessible
