"""`manage.py serve`, as somebody starts it who has only just got it."""

from __future__ import annotations

import os
import signal
import socket
import ssl
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from http.client import HTTPConnection, HTTPSConnection
from pathlib import Path
from urllib.error import URLError
from urllib.request import urlopen

import pytest
import trustme

from shop.launch import CannotStart, bind
from tests.ports import free_port
from tests.prepared import lay_out

ROOT = Path(__file__).resolve().parents[2]
POSIX = pytest.mark.skipif(os.name != "posix", reason="Signals and /proc are needed.")
GROWN_UP = ("DATABASE_URL", "REDIS_URL", "SECRET_KEY", "ALLOWED_HOSTS", "HTTPS")
PATIENCE = 240.0  # seconds; it takes a few


def serve(folder: Path, port: int, **settings: str) -> subprocess.Popen[str]:
    env = {key: value for key, value in os.environ.items() if key not in GROWN_UP}
    env |= {
        "DATA_DIR": str(folder),
        "PORT": str(port),
        "DEMO": "0",
        "CELERY_TASK_ALWAYS_EAGER": "0",
    } | settings
    command = [sys.executable, "manage.py", "serve"]
    pipe = subprocess.PIPE
    return subprocess.Popen(command, cwd=ROOT, env=env, stdout=pipe, stderr=pipe, text=True)


def refused(folder: Path, port: int, **settings: str) -> str:
    """What it says as it refuses to start: one line."""
    process = serve(folder, port, **settings)
    said, why = process.communicate(timeout=PATIENCE)
    assert process.returncode not in (0, None)
    assert said == ""
    assert len(why.splitlines()) == 1, why
    return why


def children(pid: int) -> list[int]:
    found: list[str] = []
    for each in Path(f"/proc/{pid}/task").glob("*/children"):
        with suppress(OSError):  # a thread that has ended meanwhile
            found += each.read_text().split()
    return [int(child) for child in found]


def alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def wait_for(done, why: str) -> None:
    end = time.monotonic() + PATIENCE
    while not done():
        assert time.monotonic() < end, why
        time.sleep(0.1)


def healthy(port: int, trusting: ssl.SSLContext | None = None) -> bool:
    scheme = "https" if trusting else "http"
    try:
        address = f"{scheme}://127.0.0.1:{port}/healthz"
        with urlopen(address, timeout=PATIENCE, context=trusting) as answer:  # noqa: S310 - its own address
            return bool(answer.status == 200)
    except (URLError, TimeoutError, ConnectionError):
        return False


@pytest.fixture
def server(tmp_path, request) -> Iterator[tuple[subprocess.Popen[str], int, Path]]:
    """The program, begun from nothing; or, with "anew" as its parameter, on a database that is there already."""
    port = free_port()
    if getattr(request, "param", "") == "anew":
        lay_out(tmp_path / "lapwright.sqlite3")
    process = serve(tmp_path, port)
    try:
        wait_for(lambda: healthy(port) or process.poll() is not None, "It did not come up.")
        assert process.poll() is None, process.communicate()
        yield process, port, tmp_path
    finally:
        process.kill()
        process.communicate()


def status_of_too_much(port: int, trusting: ssl.SSLContext | None = None) -> int:
    """What a request is told that says that it brings 33 MB; none of it is sent."""
    at = ("127.0.0.1", port)
    secure = HTTPSConnection(*at, timeout=PATIENCE, context=trusting) if trusting else None
    connection = secure or HTTPConnection(*at, timeout=PATIENCE)
    connection.putrequest("POST", "/login/")
    connection.putheader("Content-Length", str(33 * 1024 * 1024))
    connection.endheaders()
    status = connection.getresponse().status
    connection.close()
    return status


@POSIX
def test_one_command_serves_works_and_ends_without_a_trace(server):
    process, port, folder = server
    wait_for(lambda: children(process.pid), "There is no worker.")
    (worker,) = children(process.pid)

    os.kill(worker, signal.SIGKILL)
    wait_for(
        lambda: [each for each in children(process.pid) if each != worker], "The worker is not begun again."
    )
    begun = children(process.pid)
    assert str(port) in refused(folder / "other", port)
    assert f"The data in {folder} is being served already" in refused(folder, free_port())
    assert status_of_too_much(port) == 413

    process.send_signal(signal.SIGINT)
    said, wrong = process.communicate(timeout=PATIENCE)
    assert process.returncode == 0
    assert not any(alive(each) for each in begun)
    assert "Traceback" not in said + wrong
    assert f"http://127.0.0.1:{port}/" in said
    assert str(folder) in said
    assert "There is no shop yet" in said
    assert "The worker ended with code -9; it is begun again." in said
    assert said.splitlines()[-1] == "Stopped."


@POSIX
@pytest.mark.parametrize("server", ["anew"], indirect=True)
def test_no_worker_outlives_a_server_that_was_killed(server):
    process, _, _ = server
    wait_for(lambda: children(process.pid), "There is no worker.")
    (worker,) = children(process.pid)
    process.kill()
    process.wait()
    wait_for(lambda: not alive(worker), "The worker goes on alone.")
    assert not alive(worker)


def test_a_folder_that_cannot_be_written_is_named(tmp_path):
    (tmp_path / "file").write_text("not a folder")
    why = refused(tmp_path / "file" / "data", free_port())
    assert str(tmp_path / "file" / "data") in why
    assert "Set DATA_DIR" in why


def test_a_port_that_is_taken_is_named_with_another():
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        with pytest.raises(
            CannotStart, match=f"Port {port} is taken by another program.*choose another port"
        ):
            bind("127.0.0.1", port)


def test_an_address_that_is_none_is_named_with_those_that_are():
    with pytest.raises(CannotStart, match=r"HOST=nowhere\.invalid.*127\.0\.0\.1"):
        bind("nowhere.invalid", 0)


@pytest.fixture(scope="module")
def certificate(tmp_path_factory) -> tuple[trustme.CA, dict[str, str]]:
    """An authority of our own, and the settings that name a certificate of it."""
    folder, authority = tmp_path_factory.mktemp("certificate"), trustme.CA()
    issued = authority.issue_cert("127.0.0.1")
    issued.private_key_pem.write_to_path(folder / "key.pem")
    for part in issued.cert_chain_pems:
        part.write_to_path(folder / "cert.pem", append=True)
    return authority, {"TLS_CERT": str(folder / "cert.pem"), "TLS_KEY": str(folder / "key.pem")}


@POSIX
def test_with_a_certificate_pages_come_over_tls_alone(tmp_path, certificate):
    authority, settings = certificate
    trusting = ssl.create_default_context()
    authority.configure_trust(trusting)
    port = free_port()
    lay_out(tmp_path / "lapwright.sqlite3")
    process = serve(tmp_path, port, **settings)
    try:
        wait_for(lambda: healthy(port, trusting) or process.poll() is not None, "It did not come up.")
        assert not healthy(port)
        with urlopen(f"https://127.0.0.1:{port}/login/", timeout=PATIENCE, context=trusting) as answer:
            assert answer.status == 200
            assert "Secure" in answer.headers["Set-Cookie"]
            assert answer.headers["Strict-Transport-Security"] is None
        assert status_of_too_much(port, trusting) == 413
        process.send_signal(signal.SIGTERM)
        said, wrong = process.communicate(timeout=PATIENCE)
    finally:
        process.kill()
        process.wait()
    assert process.returncode == 0
    assert "Traceback" not in said + wrong
    assert f"https://127.0.0.1:{port}/" in said
    assert said.splitlines()[-1] == "Stopped."


def test_a_certificate_that_cannot_be_used_is_named(tmp_path, certificate):
    _, settings = certificate
    swapped = {"TLS_CERT": settings["TLS_KEY"], "TLS_KEY": settings["TLS_CERT"]}
    assert "PEM form" in refused(tmp_path, free_port(), **swapped)
    missing = settings | {"TLS_KEY": str(tmp_path / "nothing.pem")}
    assert "TLS_KEY" in refused(tmp_path, free_port(), **missing)
    assert "go together" in refused(tmp_path, free_port(), TLS_CERT=settings["TLS_CERT"])
