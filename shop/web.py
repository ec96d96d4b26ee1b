"""The web server: waitress, or cheroot where the program has a certificate, since waitress speaks no TLS."""

import logging
import socket
import ssl
from pathlib import Path
from typing import Any

import waitress
from cheroot.ssl.builtin import BuiltinSSLAdapter
from cheroot.wsgi import Server

from shop.launch import CannotStart

log = logging.getLogger(__name__)

THREADS = 8
PATIENCE = 5  # seconds that requests in hand are given at the end
MOST_BYTES = 32 * 1024 * 1024  # of a request: more than a photo or a device's taps come to
MOST_HEADER_BYTES = 256 * 1024


class _Secure(Server):
    """A server on an address that was taken before."""

    def __init__(self, listener: socket.socket, application: Any, adapter: BuiltinSSLAdapter) -> None:
        super().__init__(
            listener.getsockname()[:2], application, numthreads=THREADS, shutdown_timeout=PATIENCE
        )
        self.ssl_adapter = adapter
        self.max_request_body_size, self.max_request_header_size = MOST_BYTES, MOST_HEADER_BYTES
        self._listener = listener

    def error_log(self, msg: str = "", level: int = logging.INFO, traceback: bool = False) -> None:
        """Log what went wrong; a phone that went out of reach in the middle of an answer is no more than news."""
        if level >= logging.ERROR:
            log.error(msg, exc_info=traceback)
        else:
            log.info(msg)

    def bind(self, *_: object) -> socket.socket:
        self.socket = self._listener
        return self._listener


def serve_plain(listener: socket.socket, application: Any) -> None:
    """Answer requests until SystemExit is raised in this thread."""
    server = waitress.create_server(
        application,
        sockets=[listener],
        threads=THREADS,
        max_request_body_size=MOST_BYTES,
        max_request_header_size=MOST_HEADER_BYTES,
    )
    try:
        server.run()
    finally:
        server.close()


def serve_secure(listener: socket.socket, application: Any, adapter: BuiltinSSLAdapter) -> None:
    """The same over TLS."""
    server = _Secure(listener, application, adapter)
    try:
        server.start()
    except SystemExit:
        pass  # asked to leave
    finally:
        server.stop()


def certificate(cert: Path | None, key: Path | None) -> BuiltinSSLAdapter | None:
    """The certificate with its key, or None where there is none.

    Raises CannotStart where they are not in PEM form or do not belong together.
    """
    if cert is None or key is None:
        return None
    try:
        return BuiltinSSLAdapter(str(cert), str(key))
    except (ssl.SSLError, OSError) as error:
        raise CannotStart(
            f"TLS_CERT={cert} and TLS_KEY={key} cannot be used ({error}). Both are files in PEM form, the key without "
            "a password, and the key is the certificate's own."
        ) from error
