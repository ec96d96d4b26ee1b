"""The real program as processes that a test begins, kills and begins again."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]


def environment(folder: Path, **more: str) -> dict[str, str]:
    """The environment of a process of the program whose data is in `folder`."""
    unset = ("DATABASE_URL", "REDIS_URL", "SECRET_KEY", "ALLOWED_HOSTS", "DJANGO_ALLOW_ASYNC_UNSAFE")
    kept = {key: value for key, value in os.environ.items() if key not in unset}
    # NUMBA_CACHE_DIR is the suite's own, so that nothing is compiled here.
    return {
        **kept,
        "DATA_DIR": str(folder),
        "DEMO": "0",
        "SWEEP_SECONDS": "1",
        "CELERY_TASK_ALWAYS_EAGER": "0",
        "LOG_LEVEL": "CRITICAL",
        "PYTHONUNBUFFERED": "1",
        **more,
    }


def ask(env: Mapping[str, str], what: str, given: Any = None) -> Any:
    """What `inside.py` says, asked inside the program's own environment."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.services.inside", what],
        cwd=ROOT,
        env=dict(env),
        input=json.dumps(given),
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def manage(env: Mapping[str, str], *words: str) -> None:
    """Run a management command."""
    done = subprocess.run(
        [sys.executable, "manage.py", *words],
        cwd=ROOT,
        env=dict(env),
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr


class Part:
    """One process of the program, in a process group of its own, begun again as often as it is killed."""

    def __init__(
        self, words: Sequence[str], env: Mapping[str, str], log: Path, port: int | None = None
    ) -> None:
        self.words, self.env, self.log, self.port = list(words), dict(env), log, port
        self.starts = self.kills = 0
        self.process: subprocess.Popen[bytes] | None = None

    def begin(self) -> None:
        self.starts += 1
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                self.words, cwd=ROOT, env=self.env, stdout=log, stderr=log, start_new_session=True
            )

    def kill(self, *, children: bool = False) -> None:
        """SIGKILL to its group, and (children) in the same moment to what it began in groups of their own."""
        if self.process is None:
            return
        self.kills += 1
        others = children_of(self.process.pid) if children else []
        os.killpg(self.process.pid, signal.SIGKILL)
        for pid in others:
            kill(pid)
        self.process.wait()

    def end(self) -> int:
        """Ask it to leave, and wait for it."""
        if self.process is None:
            return 0
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        return self.process.wait(timeout=120)

    def listens(self) -> bool:
        return self.port is not None and answers(self.port)


def kill(pid: int) -> None:
    with suppress(ProcessLookupError):
        os.kill(pid, signal.SIGKILL)


def children_of(pid: int) -> list[int]:
    """The processes that a process has begun (Linux)."""
    found: list[str] = []
    for each in Path(f"/proc/{pid}/task").glob("*/children"):
        with suppress(OSError):  # a thread that has ended meanwhile
            found += each.read_text().split()
    return [int(child) for child in found]


def answers(port: int) -> bool:
    with socket.socket() as probe:
        probe.settimeout(0.5)
        return probe.connect_ex(("127.0.0.1", port)) == 0


def wait_until(done: Callable[[], bool], why: str, seconds: float = 300.0, pause: float = 0.02) -> None:
    end = time.monotonic() + seconds
    while not done():
        assert time.monotonic() < end, why
        time.sleep(pause)


@contextmanager
def redis_server(folder: Path, port: int) -> Iterator[Part]:
    """A Redis of the test's own."""
    words = ["redis-server", "--bind", "127.0.0.1", "--port", str(port), "--save", "", "--dir", str(folder)]
    part = Part([*words, "--loglevel", "warning"], os.environ, folder / "redis.log", port)
    part.begin()
    try:
        wait_until(part.listens, "Redis does not answer.")
        yield part
    finally:
        part.kill()


class Postgres:
    """A PostgreSQL of the test's own. It refuses to run as root, so then it runs as the account `postgres`."""

    def __init__(self, programs: Path, folder: Path, port: int) -> None:
        self.bin, self.folder, self.port = programs, folder, port
        self._as = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
        folder.mkdir()
        if self._as:
            folder.parent.chmod(0o711)
            subprocess.run(["chown", "postgres", str(folder)], check=True)
        self._run("initdb", "--auth=trust", "-U", "postgres", "-E", "UTF8", "--locale=C", "-D", self.data)
        self.begin()
        self._run("createdb", "-h", "127.0.0.1", "-p", str(port), "-U", "postgres", "lapwright")

    @staticmethod
    def programs() -> Path | None:
        """Where the newest installed PostgreSQL has its programs."""
        found = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda each: int(each.parent.name))
        on_path = shutil.which("pg_ctl")
        return found[-1] if found else Path(on_path).parent if on_path else None

    @property
    def data(self) -> str:
        return str(self.folder / "data")

    @property
    def url(self) -> str:
        return f"postgresql://postgres@127.0.0.1:{self.port}/lapwright"

    def begin(self) -> None:
        options = f"-p {self.port} -c listen_addresses=127.0.0.1 -k {self.folder} -c max_connections=60"
        log = str(self.folder / "log")
        self._run("pg_ctl", "start", "-w", "-D", self.data, "-l", log, "-o", options)

    def end(self, how: str) -> None:
        """how: 'fast' breaks off what is under way; 'immediate' is a crash, which the next start recovers from."""
        self._run("pg_ctl", "stop", "-w", "-m", how, "-D", self.data)

    def _run(self, program: str, *words: str) -> None:
        done = subprocess.run(
            [*self._as, str(self.bin / program), *words],
            cwd="/",
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            check=False,
        )
        assert done.returncode == 0, done.stderr.decode()


@contextmanager
def postgres_server(programs: Path, folder: Path, port: int) -> Iterator[Postgres]:
    """A PostgreSQL of the test's own, with an empty database."""
    server = Postgres(programs, folder, port)
    try:
        yield server
    finally:
        server.end("immediate")
