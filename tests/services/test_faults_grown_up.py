"""The grown-up installation with everything that can die dying: web servers, worker, timetable, Redis, PostgreSQL.

PostgreSQL and Redis are the test's own, so that they can be killed; so the programs must be installed.
"""

from __future__ import annotations

import os
import random
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import psycopg
import pytest

from tests.ports import free_port
from tests.services.ordeal import answered, begin_devices, drain, reckon
from tests.services.pressing import Device
from tests.services.program import (
    Part,
    Postgres,
    ask,
    environment,
    manage,
    postgres_server,
    redis_server,
    wait_until,
)

pytestmark = pytest.mark.services

KILLS = 30
SEED = 1871
REDIS_GONE = range(6, 11)  # the killings between which there is no Redis
DATABASE_ENDS = {14: "immediate", 22: "fast"}  # before which killing PostgreSQL ends, and how
DATABASE_GONE = 1.0  # seconds


def test_nothing_is_lost_doubled_or_left_unlearned_when_every_part_dies(short_folder: Path) -> None:
    begun, programs = time.monotonic(), Postgres.programs()
    if programs is None or shutil.which("redis-server") is None:
        why = "A PostgreSQL and a Redis must be installed."
        pytest.fail(why) if os.environ.get("CI") == "true" else pytest.skip(why)
    with (
        postgres_server(programs, short_folder / "pg", free_port()) as postgres,
        redis_server(short_folder, free_port()) as redis,
    ):
        env = environment(
            short_folder,
            DATABASE_URL=postgres.url,
            REDIS_URL=f"redis://127.0.0.1:{redis.port}/0",
            SECRET_KEY="k" * 60,
            ALLOWED_HOSTS="127.0.0.1",
            HTTPS="0",
        )
        manage(env, "migrate", "--verbosity=0")
        keys = ask(env, "shop")
        with running(env, short_folder) as (webs, worker, timetable):
            devices = begin_devices(keys, [web.port for web in webs if web.port], SEED)
            try:
                outages = go_through(devices, webs, [worker, timetable], redis, postgres)
                drain(devices)
                reckon(
                    devices,
                    keys,
                    env,
                    lambda question: rows(postgres, question),
                    begun,
                    outages,
                    web_servers_killed=sum(web.kills for web in webs),
                    workers_killed=worker.kills,
                    timetables_killed=timetable.kills,
                    redis_gone=len(REDIS_GONE),
                    databases_ended=len(outages),
                )
            finally:
                for device in devices:
                    device.give_up.set()
        assert sum(part.kills for part in (*webs, worker, timetable)) >= KILLS


def go_through(
    devices: list[Device],
    webs: list[Part],
    others: list[Part],
    redis: Part,
    postgres: Postgres,
) -> list[tuple[float, float]]:
    """Kill a part at a random moment, again and again; when there was no PostgreSQL."""
    rng, outages = random.Random(SEED), []
    parts = [*webs * 3, *others]
    for n in range(KILLS):
        if n == REDIS_GONE.start:
            redis.kill()
        if n == REDIS_GONE.stop:
            redis.begin()
        if n in DATABASE_ENDS:
            outages.append(without_database(postgres, DATABASE_ENDS[n]))
        before = answered(devices)
        wait_until(lambda before=before: answered(devices) > before, "No web server answers.")
        time.sleep(rng.uniform(0.0, 0.6))
        part = parts[n % len(parts)]
        part.kill()
        part.begin()
    return outages


def without_database(postgres: Postgres, how: str) -> tuple[float, float]:
    """End PostgreSQL and begin it again; from when until when there was none."""
    since = time.monotonic()
    postgres.end(how)
    time.sleep(DATABASE_GONE)
    postgres.begin()
    return since, time.monotonic()


@contextmanager
def running(env: dict[str, str], folder: Path) -> Iterator[tuple[list[Part], Part, Part]]:
    """Two web servers, a worker and a timetable, as the compose file has them."""
    python = sys.executable
    ports = [free_port(), free_port()]
    serve = [python, "-m", "waitress", "--host=127.0.0.1", "--threads=8"]
    webs = [
        Part([*serve, f"--port={port}", "shop.wsgi:application"], env, folder / f"web{n}", port)
        for n, port in enumerate(ports)
    ]
    celery = [python, "-m", "celery", "-A", "shop.celery"]
    worker = Part([*celery, "worker", "--concurrency=2", "--loglevel=CRITICAL"], env, folder / "worker")
    timetable = Part([*celery, "beat", "--loglevel=CRITICAL", "--max-interval=1"], env, folder / "beat")
    parts = [*webs, worker, timetable]
    with ExitStack() as stack:
        for part in parts:
            part.begin()
            stack.callback(part.kill)
        yield webs, worker, timetable


def rows(postgres: Postgres, question: str) -> list[Any]:
    with psycopg.connect(postgres.url) as line:
        return line.execute(question).fetchall()  # type: ignore[call-overload, no-any-return]


@pytest.fixture
def short_folder() -> Iterator[Path]:
    """A folder whose name is short enough for a socket's."""
    with tempfile.TemporaryDirectory(prefix="lw", ignore_cleanup_errors=True) as folder:
        yield Path(folder)
