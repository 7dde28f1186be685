"""Requests to addresses that members name, without lending them our place in the network.

A host is resolved once; every address that it has must be a public one; the connection goes to one of those very
addresses, so that a second answer of the resolver (DNS rebinding) is never asked for. TLS names and checks the host
as ever. A redirect is not followed and the body of an answer is not read. Whoever runs the service may name networks
of their own that are allowed beside (``WEBHOOK_NETWORKS``), and plain HTTP (``WEBHOOK_PLAIN_HTTP``).

Sources: IANA's registries of special-purpose addresses (RFC 6890; ``ipaddress.is_global`` follows them); RFC 4291
(IPv6: what is routed to everybody is in 2000::/3); RFC 6052 and 8215 (NAT64), RFC 3056 (6to4), RFC 4380 (Teredo),
RFC 4291, 2.5.5 (IPv4 in IPv6): addresses that hold another one, which a gateway may turn into it.
"""

from __future__ import annotations

import contextlib
import http.client
import ipaddress
import re
import socket
import ssl
import threading
from dataclasses import dataclass
from functools import cache
from urllib.parse import urlsplit

from django.conf import settings

Address = ipaddress.IPv4Address | ipaddress.IPv6Address

CONNECT_S = 5
ANSWER_S = 10
"""The whole request, from the connection to the end of the answer's headers, takes no longer."""
MOST_LETTERS = 300

_EVERYBODY = ipaddress.ip_network("2000::/3")
_NOT_EVERYBODY = [
    ipaddress.ip_network(text) for text in ("2002::/16", "2001::/32", "3fff::/20", "192.88.99.0/24", "192.0.0.0/24")
]
"""6to4 and its relays, Teredo; and what only newer Pythons count as not global: documentation (RFC 9637) and the rest
of the protocol assignments (RFC 6890)."""
_HOST = re.compile(r"(?!-)[a-z0-9_-]{1,63}(?<!-)(\.(?!-)[a-z0-9_-]{1,63}(?<!-))*\.?")


class NotOutside(Exception):
    """The address is not one that may be asked; the text says why."""


class NoAnswer(Exception):
    """The request came to nothing; the text says how."""


@dataclass(frozen=True, slots=True)
class Target:
    """A checked URL, not yet resolved."""

    host: str
    port: int
    path: str
    tls: bool


def target_of(url: str) -> Target:
    """Read a URL; raises ``NotOutside`` for what cannot be or may not be asked, without asking the resolver."""
    if len(url) > MOST_LETTERS or not url.isascii() or any(sign <= " " or sign == "\x7f" for sign in url):
        raise NotOutside("It must be an address of at most 300 plain letters, without spaces.")
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError as error:
        raise NotOutside("It is not an address.") from error
    if parts.scheme != "https" and not (parts.scheme == "http" and settings.WEBHOOK_PLAIN_HTTP):
        raise NotOutside("It must start with https://.")
    if parts.username is not None or parts.password is not None or parts.fragment:
        raise NotOutside("It must hold no name, no password and no fragment.")
    host = (parts.hostname or "").lower()
    literal = _literal(host)
    if literal is None and not _HOST.fullmatch(host):
        raise NotOutside("It names no host.")
    if literal is not None and not is_outside(literal):
        raise NotOutside("It leads to an address that is not public.")
    tls = parts.scheme == "https"
    port = port if port is not None else (443 if tls else 80)
    if port not in {80, 443} and port < 1024:
        raise NotOutside("Its port must be 443, or 1024 and above.")
    return Target(host, port, (parts.path or "/") + (f"?{parts.query}" if parts.query else ""), tls)


def is_outside(address: Address) -> bool:
    """Whether an address is one of the public internet, or of a network that whoever runs the service allows."""
    if any(address.version == network.version and address in network for network in _own_networks()):
        return True
    if not address.is_global or address.is_multicast or address.is_unspecified or address.is_link_local:
        return False
    if any(address.version == network.version and address in network for network in _NOT_EVERYBODY):
        return False
    return not address.is_reserved if isinstance(address, ipaddress.IPv4Address) else address in _EVERYBODY


def resolve(host: str, port: int) -> list[Address]:
    """Every address of a host, in the resolver's order; raises ``NoAnswer`` for a host that has none."""
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError) as error:
        raise NoAnswer("The host is not known.") from error
    return [ipaddress.ip_address(str(entry[4][0]).partition("%")[0]) for entry in found]


def post(url: str, body: bytes, headers: dict[str, str]) -> tuple[int, str]:
    """Send a POST; the status of the answer and its ``Retry-After``.

    Raises ``NotOutside`` where the host leads to any address that is not public, ``NoAnswer`` for everything else.
    """
    target = target_of(url)
    addresses = resolve(target.host, target.port)
    if not addresses or not all(is_outside(address) for address in addresses):
        raise NotOutside("The host leads to an address that is not public.")
    connection = _Pinned(target, addresses[0])
    try:
        connection.request("POST", target.path, body=body, headers=headers)
        answer = connection.getresponse()
        return answer.status, answer.headers.get("Retry-After", "")
    except ssl.SSLCertVerificationError as error:
        raise NoAnswer("The certificate of the host is not valid.") from error
    except (OSError, http.client.HTTPException) as error:
        raise NoAnswer(f"No answer came within {ANSWER_S} seconds ({type(error).__name__}).") from error
    finally:
        connection.close()


class _Pinned(http.client.HTTPConnection):
    """A connection to one address, under the name of its host, that is cut when its time is over."""

    def __init__(self, target: Target, address: Address) -> None:
        super().__init__(target.host, target.port, timeout=CONNECT_S)
        self.default_port = 443 if target.tls else 80  # which the Host header leaves out
        self.target, self.address = target, address
        self.clock: threading.Timer | None = None
        self.spare: socket.socket | None = None

    def connect(self) -> None:
        """Connect to the address that was checked, and to no other."""
        plain = socket.create_connection((str(self.address), self.target.port), timeout=CONNECT_S)
        self.sock = plain
        # A timeout of a socket is for each piece; a peer that sends a letter now and then would hold us for ever.
        # The spare is the same connection, also while TLS is being agreed on, when ``plain`` is empty already.
        self.spare = plain.dup()
        self.clock = threading.Timer(ANSWER_S, _cut, [self.spare])
        self.clock.daemon = True
        self.clock.start()
        if self.target.tls:
            self.sock = _tls().wrap_socket(plain, server_hostname=self.target.host.rstrip("."))

    def close(self) -> None:
        """Close, and stop the clock."""
        if self.clock is not None:
            self.clock.cancel()
            self.clock.join()
        if self.spare is not None:
            self.spare.close()
        super().close()


def _cut(connection: socket.socket) -> None:
    with contextlib.suppress(OSError):  # the peer was quicker
        connection.shutdown(socket.SHUT_RDWR)


@cache
def _tls() -> ssl.SSLContext:
    return ssl.create_default_context()


def _literal(host: str) -> Address | None:
    try:
        return ipaddress.ip_address(host)
    except ValueError:
        return None


def _own_networks() -> list[ipaddress.IPv4Network | ipaddress.IPv6Network]:
    return [ipaddress.ip_network(text) for text in settings.WEBHOOK_NETWORKS]
