"""The whole program under one command: a web server, and beside it a worker that is begun again if it dies."""

import errno
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any

from django.conf import settings
from django.core.management import CommandError, call_command
from django.db import DatabaseError

from shop.health import pending_migrations
from shop.models import Shop, User

DEMO_PASSWORD = "lapwright-demo"  # noqa: S105 - it is printed at the start
DEMO_USERS = ("owner", "planner", "maker", "viewer")

WORKER = (sys.executable, "-m", "shop.worker")
WORKER_PATIENCE = 5.0  # seconds that a worker is given to finish what it has in hand
WORKER_LIVES, LIVES_WINDOW = 5, 60.0  # so many ends within so many seconds are too many

Say = Callable[[str], object]


class CannotStart(Exception):
    """The program cannot start; the message says why, and what to do."""


def claim_folder(folder: Path) -> IO[bytes]:
    """Make the data folder, and hold it for this process until the returned file is closed.

    Raises CannotStart where it cannot be written, or another process holds it.
    """
    try:
        for each in (folder, settings.STATIC_ROOT):
            each.mkdir(parents=True, exist_ok=True)
        tempfile.TemporaryFile(dir=folder).close()
        held = (folder / "in-use").open("ab")
    except OSError as error:
        raise CannotStart(
            f"The data folder {folder} cannot be written ({error.strerror}). "
            "Set DATA_DIR to a folder that you may write."
        ) from error
    try:
        _lock(held)
    except OSError as error:
        held.close()
        raise CannotStart(
            f"The data in {folder} is being served already. Stop that first, or set DATA_DIR to another folder."
        ) from error
    return held


def _lock(file: IO[bytes]) -> None:
    if sys.platform == "win32":
        import msvcrt

        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
    else:
        import fcntl

        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)


def bind(host: str, port: int) -> socket.socket:
    """Take the address, before any long work; nobody can connect until a server listens.

    Raises CannotStart where that is not possible.
    """
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    except socket.gaierror as error:
        raise CannotStart(
            f"HOST={host} is not an address of this machine. Use 127.0.0.1, or 0.0.0.0 for the whole network."
        ) from error
    family, kind, protocol, _, address = found[0]
    listener = socket.socket(family, kind, protocol)
    if sys.platform == "win32":
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)
    else:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind(address)
    except OSError as error:
        listener.close()
        raise CannotStart(_why_not_bound(host, port, error)) from error
    return listener


def _why_not_bound(host: str, port: int, error: OSError) -> str:
    if error.errno == errno.EADDRINUSE:
        other = port + 1 if port < 65535 else 8000
        return f"Port {port} is taken by another program. Stop it, or choose another port, as PORT={other}."
    if error.errno == errno.EACCES:
        return f"Port {port} may not be used by this account. Choose one above 1023, as PORT=8000."
    return f"{host}, port {port}, cannot be used ({error.strerror}). Choose another HOST or PORT."


def prepare(say: Say, *, demo: bool) -> None:
    """Bring the database up to date, with the demo shop if it is asked for and there is no shop, and compile."""
    try:
        count = pending_migrations()
        if count:
            say("Preparing the database …")
            call_command("migrate", verbosity=0, interactive=False)
        empty = not Shop.objects.exists()
    except DatabaseError as error:
        raise CannotStart(f"The database cannot be used: {error}\nIt is {where_the_data_is()}.") from error
    if not settings.EMBEDDED:
        call_command("collectstatic", verbosity=0, interactive=False)
    if demo and empty:
        say("Making the demo shop, once; it takes a minute or so …")
        try:
            call_command("load_demo", verbosity=0)
        except CommandError as error:
            raise CannotStart(
                f"The demo shop cannot be made: {error} Start without it, as DEMO=0."
            ) from error
    if not any(settings.NUMBA_CACHE_DIR.glob("**/*.nbi")):
        say("Compiling the simulation, once …")
    call_command("warm_up", verbosity=0)


def where_the_data_is() -> str:
    """The place of everything that the shop enters."""
    if settings.DATABASE is None:
        return f"in {settings.DATA_DIR}"
    return "in PostgreSQL, as DATABASE_URL says"


def greeting(host: str, port: int) -> str:
    """What somebody who has just started the program needs to know."""
    every = host in ("0.0.0.0", "::")  # noqa: S104 - asked for by HOST
    shown = "127.0.0.1" if every else f"[{host}]" if ":" in host else host
    scheme = "https" if settings.TLS_CERT else "http"
    lines = [f"Lapwright is ready at {scheme}://{shown}:{port}/"]
    if every:
        lines.append(f"Other devices on your network: {scheme}://{_own_address()}:{port}/")
    lines.append(_who_can_log_in())
    lines.append(f"All data is {where_the_data_is()}")
    lines.append("Stop with Ctrl-C.")
    return "\n".join(lines)


def _own_address() -> str:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # a documentation address (RFC 5737): nothing is sent
        except OSError:
            return socket.gethostname()
        return str(probe.getsockname()[0])


def _who_can_log_in() -> str:
    if not Shop.objects.exists():
        return "There is no shop yet: open the address and set yours up."
    owner = User.objects.filter(username=DEMO_USERS[0], membership__shop__is_demo=True).first()
    if owner is None or not owner.check_password(DEMO_PASSWORD):
        return "Log in with your own name and password."
    return f"Demo shop: log in as {', '.join(DEMO_USERS[:-1])} or {DEMO_USERS[-1]}; password {DEMO_PASSWORD}"


class Worker:
    """The worker process: begun again when it ends by itself, unless it does so over and over."""

    def __init__(self, say: Say) -> None:
        self._say = say
        self._stopping = threading.Event()
        self._process = self._begin()
        self._watch = threading.Thread(target=self._keep_alive, daemon=True)
        self._watch.start()

    @staticmethod
    def _begin() -> subprocess.Popen[bytes]:
        # In a group of its own, so that Ctrl-C reaches this process alone, which then ends the worker in order.
        apart: dict[str, Any] = {"start_new_session": True}
        if sys.platform == "win32":
            apart = {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}
        return subprocess.Popen(WORKER, stdin=subprocess.PIPE, cwd=settings.BASE_DIR, **apart)  # noqa: S603

    def _keep_alive(self) -> None:
        ends: list[float] = []
        while True:
            code = self._process.wait()
            if self._stopping.is_set():
                return
            now = time.monotonic()
            ends = [end for end in ends if end > now - LIVES_WINDOW] + [now]
            if len(ends) >= WORKER_LIVES:
                self._say(
                    f"The worker ended {len(ends)} times within a minute (now with code {code}) and is left off. "
                    "The pages work and no tap is lost, but nothing is learned until the next start."
                )
                return
            self._say(f"The worker ended with code {code}; it is begun again.")
            self._process = self._begin()

    def stop(self) -> None:
        """End the worker after the task in hand, or after WORKER_PATIENCE at the latest."""
        self._stopping.set()
        process = self._process
        if process.stdin:
            process.stdin.close()
        try:
            process.wait(WORKER_PATIENCE)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
