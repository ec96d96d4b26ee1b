"""Real Celery workers on the test database. Without a PostgreSQL and a Redis these tests are skipped."""

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from urllib.parse import quote

import pytest
from django.conf import settings
from django.db import connection

from shop.celery import app

pytest.register_assert_rewrite("tests.services.ordeal")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    if settings.DATABASE and settings.REDIS_URL:
        return
    for item in items:
        if item.get_closest_marker("services"):
            item.add_marker(pytest.mark.skip("Set DATABASE_URL to a PostgreSQL and REDIS_URL to a Redis."))


def database_url() -> str:
    """The address of the test database, for another process."""
    facts = connection.settings_dict
    login = f"{quote(facts['USER'])}:{quote(facts['PASSWORD'])}@" if facts["USER"] else ""
    return f"postgres://{login}{quote(facts['HOST'] or '', safe='')}:{facts['PORT'] or 5432}/{facts['NAME']}"


@pytest.fixture
def workers() -> Iterator[Callable[[int], list[subprocess.Popen[bytes]]]]:
    """`workers(2)` starts so many workers on the test database; the end of the test stops them."""
    eager, app.conf.task_always_eager = app.conf.task_always_eager, False
    app.control.purge()
    env = {**os.environ, "DATABASE_URL": database_url(), "CELERY_TASK_ALWAYS_EAGER": "0"}
    celery = (sys.executable, "-m", "celery", "-A", "shop.celery", "worker")
    options = ("--pool=threads", "--concurrency=4", "--loglevel=WARNING")
    running: list[subprocess.Popen[bytes]] = []

    def start(count: int) -> list[subprocess.Popen[bytes]]:
        begun = [
            subprocess.Popen([*celery, *options, f"--hostname=test{len(running) + n}@%h"], env=env)
            for n in range(count)
        ]
        running.extend(begun)
        return begun

    yield start
    for process in running:
        process.terminate()
    for process in running:
        process.wait(timeout=120)
    app.control.purge()
    app.conf.task_always_eager = eager
