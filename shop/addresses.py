"""Addresses at which phones reach this program. Pure."""

from __future__ import annotations

import ipaddress
from urllib.parse import urlsplit

from shop.errors import BadInput

EXAMPLE = "http://192.168.1.20:8000"


def web_address(text: str) -> str:
    """'http://host:port' of what somebody typed; empty for nothing. Raises BadInput with what is wrong."""
    text = text.strip()
    if not text:
        return ""
    text = text if "://" in text else f"http://{text}"
    try:
        parts = urlsplit(text)
        host, _ = parts.hostname or "", parts.port
    except ValueError:
        raise _no_computer() from None
    if parts.scheme not in ("http", "https"):
        raise BadInput(f"Begin it with http:// or https://, as {EXAMPLE}.", field="address")
    if not host or parts.username is not None or not set(host) <= _HOST:
        raise _no_computer()
    if parts.path not in ("", "/") or parts.query or parts.fragment:
        raise BadInput(f"Leave off what comes after the computer and port, as {EXAMPLE}.", field="address")
    if is_loopback(text):
        raise BadInput(
            f"A phone that opens {host} would look for the program on itself. Use this computer’s address on "
            f"your network, as {EXAMPLE}.",
            field="address",
        )
    return f"{parts.scheme}://{parts.netloc.lower()}"


def _no_computer() -> BadInput:
    return BadInput(f"That is not an address of a computer. Write it as {EXAMPLE}.", field="address")


def is_loopback(url: str) -> bool:
    """Whether an address means 'this computer itself' to whoever opens it."""
    host = urlsplit(url).hostname or ""
    if host == "localhost" or host.endswith(".localhost"):
        return True
    try:
        found = ipaddress.ip_address(host)
    except ValueError:
        return False
    return found.is_loopback or found.is_unspecified


_HOST = frozenset("abcdefghijklmnopqrstuvwxyz0123456789-._:")
