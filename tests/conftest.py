"""The suite's own environment, set before Django reads it, and a real browser for the tests that drive one."""

import atexit
import gc
import getpass
import os
import shutil
import socket
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page
    from pytest_django import DjangoDbBlocker
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
from hypothesis import HealthCheck  # noqa: E402
from hypothesis import settings as examples  # noqa: E402

from tests.prepared import keep, lay_out  # noqa: E402

# How long one example takes says how busy the machine is. In CI a commit always meets the same examples; anywhere else
# each run looks at others, and one that fails prints how to see it again.
examples.register_profile(
    "lapwright",
    deadline=None,
    print_blob=True,
    derandomize=os.environ.get("CI") == "true",
    suppress_health_check=[HealthCheck.too_slow],
)
examples.load_profile("lapwright")

# Argon2 takes a fifth of a second for each password: what is tested is who gets in, not how long a guess would take.
settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
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
    settings.DATABASES["default"].setdefault("OPTIONS", {})["options"] = "-c synchronous_commit=off"

OF_MODELS = ("django_content_type", "auth_permission")  # tables that the migrations fill
CHROMIUM = Path(os.environ.get("CHROMIUM", "/usr/bin/chromium"))
CHROMIUM_SWITCHES = [
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
PATIENCE = 120.0  # seconds for which anything is waited for: a machine with other work at hand takes its time
HEIGHTS = {390: 844, 820: 1180, 1440: 900}  # CSS pixels: a phone, a tablet, a laptop


def pytest_collection_finish() -> None:
    """Let the collector of garbage leave alone what was imported: it took a fifth of the tests' time."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 20)


@pytest.fixture(scope="session")
def django_db_keepdb(django_db_modify_db_settings: None) -> bool:
    """Whether a database with every migration lies where this process has its own, whose name is settled before."""
    on_sqlite = settings.DATABASES["default"]["ENGINE"].endswith("sqlite3")
    return on_sqlite and lay_out(Path(settings.DATABASES["default"]["TEST"]["NAME"]))


@pytest.fixture(scope="session")
def django_db_setup(django_db_setup: None, django_db_blocker: "DjangoDbBlocker") -> None:
    """The database with every migration; after a test that commits only what tests have written is taken out of it."""
    from django.contrib.auth.management import create_permissions
    from django.contrib.contenttypes.management import create_contenttypes
    from django.db import connection
    from django.db.models.signals import post_migrate

    # Emptying a table by PostgreSQL's TRUNCATE makes new files for it and each of its indexes, half a second for all.
    # The names of models and permissions are the same for every test, and take longer to make than all else to delete.
    def _delete_all(self: Any, style: Any, tables: list[str], **_: Any) -> list[str]:
        return [f"DELETE FROM {self.quote_name(table)}" for table in tables if table not in OF_MODELS]  # noqa: S608

    type(connection.ops).sql_flush = _delete_all  # type: ignore[assignment, method-assign]
    post_migrate.disconnect(create_contenttypes)
    post_migrate.disconnect(
        create_permissions, dispatch_uid="django.contrib.auth.management.create_permissions"
    )
    if connection.vendor == "sqlite":
        with django_db_blocker.unblock():
            keep(connection)


@pytest.fixture(scope="session")
def browser() -> "Iterator[Browser]":
    """A real Chromium, one for the whole run. Each test opens its own context in it, or uses `page_at`."""
    if not CHROMIUM.exists():
        why = f"No browser at {CHROMIUM}: install Chromium, or set CHROMIUM to where it is."
        if os.environ.get("CI") == "true":
            pytest.fail(why)
        pytest.skip(why)
    from django.core.management import call_command
    from playwright.sync_api import sync_playwright

    call_command("warm_up", verbosity=0)  # as the program does at its start: no page waits for the compiler
    # The browser's driver runs a loop of its own in this thread; the database is not used from it.
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "1"
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=str(CHROMIUM), args=CHROMIUM_SWITCHES)
        yield chromium
        chromium.close()
    os.environ.pop("DJANGO_ALLOW_ASYNC_UNSAFE", None)


@pytest.fixture
def answering(live_server: "LiveServer") -> "Iterator[LiveServer]":
    """The live server; afterwards it is done with all that closed pages still asked, for then the tables are emptied.

    It takes connections in the order in which they were made, each into a thread of its own, and ends one in which
    nothing is asked: after such a one no earlier connection can still be waiting for its thread.
    """
    yield live_server
    at = (live_server.thread.host, live_server.thread.port)
    with socket.create_connection(at, timeout=PATIENCE) as last:
        last.shutdown(socket.SHUT_WR)
        last.recv(1)
    end = time.monotonic() + PATIENCE
    for thread in threading.enumerate():
        if "process_request_thread" in thread.name:
            thread.join(max(0.0, end - time.monotonic()))
            assert not thread.is_alive(), "A page that is still open asks the server, and the test is over."


@pytest.fixture
def begin_with() -> dict[str, Any]:
    """What a test that begins a Chromium of its own gives Playwright besides."""
    return {"executable_path": str(CHROMIUM), "args": list(CHROMIUM_SWITCHES)}


@pytest.fixture
def page_at(browser: "Browser", answering: "LiveServer") -> "Iterator[Callable[..., Page]]":
    """`page_at(390)`: a fresh page so many CSS pixels wide, whose addresses start at the live server.

    Further words go to Playwright's `new_context`, as color_scheme="dark" or java_script_enabled=False.
    """
    contexts: list[BrowserContext] = []

    def page_at(width: int, **options: Any) -> "Page":
        viewport = {"width": width, "height": HEIGHTS.get(width, 900)}
        context = browser.new_context(
            **{"viewport": viewport, "has_touch": width < 1000, "base_url": answering.url, **options}
        )
        context.set_default_timeout(1000 * PATIENCE)
        contexts.append(context)
        return context.new_page()

    yield page_at
    for context in contexts:
        for page in context.pages:
            page.unroute_all(
                behavior="ignoreErrors"
            )  # an answer that is still being fetched has nobody to go to
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
