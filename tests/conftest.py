"""The suite's own environment, set before Django reads it, and a real browser for the tests that drive one."""

import atexit
import getpass
import os
import shutil
import tempfile
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

# No test collects the static files: on PostgreSQL too they are served from where they lie.
settings.STORAGES["staticfiles"]["BACKEND"] = "django.contrib.staticfiles.storage.StaticFilesStorage"

CHROMIUM = Path(os.environ.get("CHROMIUM", "/usr/bin/chromium"))
CHROMIUM_SWITCHES = [
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
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


@pytest.fixture
def page_at(browser: "Browser", live_server: "LiveServer") -> "Iterator[Callable[..., Page]]":
    """`page_at(390)`: a fresh page so many CSS pixels wide, whose addresses start at the live server.

    Further words go to Playwright's `new_context`, as color_scheme="dark" or java_script_enabled=False.
    """
    contexts = []

    def page_at(width: int, **options: Any) -> "Page":
        viewport = {"width": width, "height": HEIGHTS.get(width, 900)}
        context = browser.new_context(
            **{"viewport": viewport, "has_touch": width < 1000, "base_url": live_server.url, **options}
        )
        contexts.append(context)
        return context.new_page()

    yield page_at
    for context in contexts:
        context.close()


@pytest.fixture
def log_in(live_server: "LiveServer") -> "Callable[[Page, User], Page]":
    """`log_in(page, user)`: the page's browser is logged in as `user` from now on, without the log-in page."""
    from django.test import Client

    def log_in(page: "Page", user: "User") -> "Page":
        client = Client()
        client.force_login(user, "django.contrib.auth.backends.ModelBackend")
        name = settings.SESSION_COOKIE_NAME
        page.context.add_cookies(
            [{"name": name, "value": client.cookies[name].value, "url": live_server.url}]
        )
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
