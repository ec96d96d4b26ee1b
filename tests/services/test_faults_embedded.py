"""The embedded shop, killed over and over while devices press: no tap is lost, none counts twice, all is learned."""

from __future__ import annotations

import random
import sqlite3
import sys
import time
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from tests.ports import free_port
from tests.prepared import lay_out
from tests.services.ordeal import await_moment, begin_devices, drain, reckon
from tests.services.program import Part, ask, children_of, environment, kill, manage

pytestmark = pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="Linux is needed.")

SEED = 1830
WORKER_ALONE = 5  # every so many killings the worker dies by itself as well


def test_nothing_is_lost_doubled_or_left_unlearned_through_a_few_killings(tmp_path: Path) -> None:
    lay_out(tmp_path / "lapwright.sqlite3")
    assert go_through(tmp_path, kills=4) == 4


@pytest.mark.services
def test_nothing_is_lost_doubled_or_left_unlearned_through_thirty_killings(tmp_path: Path) -> None:
    assert go_through(tmp_path, kills=30) == 30


def go_through(folder: Path, kills: int) -> int:
    """Kill the program so often at random moments; for a fifth of them the broker's folder cannot be used.

    Gives how often it was killed, once all that was acknowledged was found stored, folded and learned.
    """
    no_broker = range(kills // 4, kills // 4 + max(1, kills // 5))
    begun, rng, port = time.monotonic(), random.Random(SEED), free_port()
    env = environment(folder, PORT=str(port))
    database, queues = folder / "lapwright.sqlite3", folder / "queues"
    manage(env, "migrate", "--verbosity=0")
    keys = ask(env, "shop")
    server = Part([sys.executable, "manage.py", "serve"], env, folder / "log", port)
    server.begin()
    devices = begin_devices(keys, [port], SEED)
    workers = 0
    try:
        for n in range(kills):
            if n in no_broker:
                break_folder(queues)
            else:
                mend_folder(queues)
            await_moment(server, devices, rng)
            if n % WORKER_ALONE == 0:
                workers += kill_worker(server)
            server.kill(children=rng.random() < 0.5)
            server.begin()
        mend_folder(queues)
        drain(devices)
        with closing(sqlite3.connect(database)) as kept:
            reckon(
                devices,
                keys,
                env,
                lambda question: kept.execute(question).fetchall(),
                begun,
                kills=server.kills,
                workers_killed=workers,
                broker_gone=len(no_broker),
            )
            assert kept.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            assert kept.execute("PRAGMA foreign_key_check").fetchall() == []
        assert server.end() == 0
    finally:
        for device in devices:
            device.give_up.set()
        if server.process and server.process.poll() is None:
            server.kill(children=True)
    return server.kills


def kill_worker(server: Part) -> int:
    """SIGKILL to the server's worker alone, which the server then begins again; how many there were."""
    time.sleep(0.2)
    found: list[int] = children_of(server.process.pid) if server.process else []
    for pid in found:
        kill(pid)
    return len(found)


def break_folder(folder: Path) -> None:
    """Make the broker's folder one that nobody can write, whatever one's rights: it is a file."""
    if folder.is_dir():
        folder.rename(folder.with_suffix(".away"))
    folder.touch()


def mend_folder(folder: Path) -> Any:
    if folder.is_file():
        folder.unlink()
        away = folder.with_suffix(".away")
        if away.is_dir():
            away.rename(folder)
