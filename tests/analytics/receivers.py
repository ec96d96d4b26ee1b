"""A program that takes signed messages, for the tests of what is told."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from http.server import BaseHTTPRequestHandler, HTTPServer
from threading import Thread

from analytics.services.telling import telling_send_next


class Receiver(HTTPServer):
    """A program that takes messages: what came, and what it answers from now on."""

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Take)
        self.came: list[tuple[dict[str, str], bytes]] = []
        self.answer = 204

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.server_port}/told?a=1"


class _Take(BaseHTTPRequestHandler):
    server: Receiver

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        self.server.came.append(({**self.headers, "path": self.path}, body))
        self.send_response(self.server.answer)
        self.send_header("Location", f"http://127.0.0.1:{self.server.server_port}/elsewhere")
        self.end_headers()

    def log_message(self, *_: object) -> None:
        pass


@contextmanager
def receiving() -> Iterator[Receiver]:
    """One that listens until the end of the block."""
    server = Receiver()
    thread = Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    try:
        yield server
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def send_all(now: datetime) -> list[bool]:
    """Send all that is due; of each message whether it arrived."""
    sent = []
    while (arrived := telling_send_next(now)) is not None:
        sent.append(arrived)
    return sent
