"""A signed message to an address of the shop's choice: no further than that address, and never for long.

The signature is HMAC-SHA-256 (RFC 2104) of the time and the body, so that the receiver knows who sent it and when.
Addresses of this computer and of private networks are refused unless `WEBHOOK_PRIVATE` is set; the connection is made
to the very addresses that were looked at, so that a name cannot mean another one by then. Redirects are not followed.
"""

from __future__ import annotations

import hashlib
import hmac
import http.client
import ipaddress
import socket
import ssl
import threading
from collections.abc import Sequence
from contextlib import suppress
from time import monotonic
from urllib.parse import SplitResult, urlsplit

from django.conf import settings

from shop.errors import BadInput

TIMEOUT_S = 5.0
"""For the connection, and for each answer on it."""

ALTOGETHER_S = 15.0
"""After which a connection is ended, however slowly its answer trickles in."""

HEADER = "Lapwright-Signature"
SCHEMES = {"http": 80, "https": 443}
_NAT64 = ipaddress.ip_network("64:ff9b::/96")
_GIVEN_OUT = ipaddress.ip_network("2000::/3")
"""All that IANA gives out of the newer kind for use on the internet; what lies outside is some network's own."""

Address = ipaddress.IPv4Address | ipaddress.IPv6Address


class NotSent(Exception):
    """The message did not arrive; the text says why."""


def signature(secret: str, sent_at: int, body: bytes) -> str:
    """The header's value: `t=<unix time>,v1=<hex HMAC-SHA-256 of "<t>.<body>">`."""
    signed = f"{sent_at}.".encode() + body
    return f"t={sent_at},v1={hmac.new(secret.encode(), signed, hashlib.sha256).hexdigest()}"


def web_hook(url: str) -> SplitResult:
    """The parts of an address that can be written to. Raises BadInput with what is wrong."""
    try:
        parts = urlsplit(url)
        usable = parts.scheme in SCHEMES and bool(parts.hostname) and parts.port != 0
    except ValueError:
        usable = False
    if not usable or not url.isascii() or any(sign <= " " for sign in url):
        raise BadInput("Give an address that begins with https:// or http://.", field="url")
    if parts.username is not None or parts.password is not None:
        raise BadInput("Leave name and password out of the address: the message is signed.", field="url")
    return parts


def hook_post(url: str, body: bytes, secret: str, sent_at: int) -> None:
    """Send `body` (JSON) to the address. Raises NotSent unless it answers 2xx."""
    try:
        parts = web_hook(url)
    except BadInput as bad:
        raise NotSent(bad.message) from bad
    host, port = str(parts.hostname), parts.port or SCHEMES[parts.scheme]
    connection = _Pinned(host, port, _addresses(host, port), secure=parts.scheme == "https")
    path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    headers = {
        "Host": parts.netloc,
        "Content-Type": "application/json",
        "User-Agent": "Lapwright",
        HEADER: signature(secret, sent_at, body),
    }
    end = threading.Timer(ALTOGETHER_S, connection.cut)
    end.daemon = True
    end.start()
    try:
        connection.request("POST", path, body, headers)
        status = connection.getresponse().status
    except (OSError, http.client.HTTPException) as error:
        raise NotSent(_why(error)) from error
    finally:
        end.cancel()
        connection.close()
    if not 200 <= status < 300:
        more = " It leads on to another address, which is not followed." if 300 <= status < 400 else ""
        raise NotSent(f"The address answered {status}.{more}")


def is_open_to_all(address: Address) -> bool:
    """Whether an address is on the public internet, also where it stands for one of the older kind."""
    if isinstance(address, ipaddress.IPv6Address):
        within = address.ipv4_mapped or address.sixtofour
        if address in _NAT64:
            within = ipaddress.IPv4Address(int(address) & 0xFFFFFFFF)
        if within is not None:
            return is_open_to_all(within)
        if address not in _GIVEN_OUT:
            return False
    return address.is_global and not address.is_multicast


def _is_near(address: Address) -> bool:
    """Whether it is this computer or one of a private network; not the addresses that a network keeps for itself."""
    mapped = address.ipv4_mapped if isinstance(address, ipaddress.IPv6Address) else None
    one = mapped or address
    kept = (
        one.is_link_local
        or one.is_multicast
        or one.is_unspecified
        or (one.is_reserved and not one.is_loopback)
    )
    return one.is_private and not kept


def _addresses(host: str, port: int) -> list[str]:
    """The numbers that a name stands for. Raises NotSent where it stands for none, or one that is not allowed."""
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError):
        raise NotSent(f"There is no {host}.") from None
    numbers = list(dict.fromkeys(str(one[4][0]) for one in found))
    for number in numbers:
        address = ipaddress.ip_address(number.partition("%")[0])
        if not (is_open_to_all(address) or (settings.WEBHOOK_PRIVATE and _is_near(address))):
            raise NotSent(
                f"{host} is an address of this computer or of a private network, which is not written to here."
            )
    return numbers


class _Pinned(http.client.HTTPConnection):
    """A connection to one of the given numbers, for the name that they were looked up for."""

    def __init__(self, host: str, port: int, numbers: Sequence[str], *, secure: bool) -> None:
        super().__init__(host, port, timeout=TIMEOUT_S)
        self._numbers, self._secure = numbers, secure

    def connect(self) -> None:
        """Connect to the first number that takes it."""
        plain = self._reach()
        self.sock = plain
        if self._secure:
            self.sock = ssl.create_default_context().wrap_socket(plain, server_hostname=self.host)

    def _reach(self) -> socket.socket:
        failed: OSError = OSError("no address")
        end = (
            monotonic() + ALTOGETHER_S
        )  # a name may stand for any number of addresses at which nobody answers
        for number in self._numbers:
            if monotonic() >= end:
                break
            try:
                return socket.create_connection((number, self.port), TIMEOUT_S)
            except OSError as error:
                failed = error
        raise failed

    def cut(self) -> None:
        """End it at once, from another thread."""
        with suppress(OSError, AttributeError):
            self.sock.shutdown(socket.SHUT_RDWR)


def _why(error: Exception) -> str:
    if isinstance(error, TimeoutError):
        return "The address did not answer in time."
    if isinstance(error, ssl.SSLError):
        return f"The address is not trusted: {getattr(error, 'verify_message', '') or error.reason}."
    if isinstance(error, ConnectionRefusedError):
        return "Nobody listens at the address."
    return f"The connection failed: {type(error).__name__}."
