"""The image's own command, behind a proxy that speaks https."""

from __future__ import annotations

import json
import os
import re
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from http.client import HTTPConnection
from pathlib import Path

import pytest
import yaml
from django.conf import settings

from tests.ports import free_port

ROOT = Path(__file__).resolve().parents[2]
PATIENCE = 240.0  # seconds; it takes a few


def own_command() -> list[str]:
    """What the Dockerfile runs, one word each."""
    text = (ROOT / "Dockerfile").read_text(encoding="utf-8").replace("\\\n", "")
    (words,) = re.findall(r"^CMD (\[.*\])$", text, re.M)
    return [str(word) for word in json.loads(words)]


def listening(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


@pytest.fixture
def port(tmp_path) -> Iterator[int]:
    """Where the image's command answers; no page of it is asked for that needs the database."""
    number = free_port()
    program, *words = own_command()
    assert program == "waitress-serve"
    here = [f"--port={number}" if word.startswith("--port=") else word for word in words]
    grown_up = {
        "DATABASE_URL": "postgresql://shop@127.0.0.1:1/shop",
        "REDIS_URL": "redis://127.0.0.1:1/0",
        "SECRET_KEY": "long enough for a test",
        "ALLOWED_HOSTS": "shop.example",
        "HTTPS": "1",
        "DATA_DIR": str(tmp_path),
    }
    process = subprocess.Popen(
        [sys.executable, "-m", "waitress", *here], cwd=ROOT, env={**os.environ, **grown_up}
    )
    try:
        end = time.monotonic() + PATIENCE
        while not listening(number):
            assert process.poll() is None, "It ended at once."
            assert time.monotonic() < end, "It does not listen."
            time.sleep(0.1)
        yield number
    finally:
        process.terminate()
        process.wait()


def answer(port: int, path: str, **headers: str) -> tuple[int, str]:
    """The status, and where it leads to."""
    connection = HTTPConnection("127.0.0.1", port, timeout=PATIENCE)
    connection.request(
        "GET", path, headers={name.replace("_", "-"): value for name, value in headers.items()}
    )
    got = connection.getresponse()
    connection.close()
    return got.status, got.headers.get("Location", "")


def test_a_proxy_that_speaks_https_is_believed_and_plain_http_is_led_to_it(port):
    behind_proxy, _ = answer(port, "/api/v1/taps", Host="shop.example", X_Forwarded_Proto="https")
    assert behind_proxy == 403
    assert answer(port, "/api/v1/taps", Host="shop.example") == (301, "https://shop.example/api/v1/taps")
    health, _ = answer(port, "/healthz", Host="localhost")
    assert health == 503  # there is no database; and the question is not led to https


def test_photos_outlive_the_container_that_took_them():
    """Common practice, no source: what a container writes outside a volume goes when a newer image takes its place."""
    compose = yaml.safe_load((ROOT / "docker-compose.yml").read_text(encoding="utf-8"))
    dockerfile = (ROOT / "Dockerfile").read_text(encoding="utf-8")
    (data,) = re.findall(r"\bDATA_DIR=(\S+)", dockerfile)
    (volume,) = compose["services"]["web"]["volumes"]
    name, where = volume.split(":")
    assert name in compose["volumes"]
    assert Path(where) == Path(data) / settings.MEDIA_ROOT.relative_to(settings.DATA_DIR)
    assert (
        Path(where).relative_to("/app").as_posix() in dockerfile
    )  # made there, so that the volume has its owner
