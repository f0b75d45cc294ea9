"""What an address of a webhook means, and the machine behind it: looked up once, checked, then connected to as it is.

A name is never looked up a second time for the connection, so a name server that answers differently the next time
changes nothing.
"""

from __future__ import annotations

import ipaddress
import re
import socket
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from concurrent.futures import TimeoutError as TookTooLong
from dataclasses import dataclass
from typing import Final
from urllib.parse import urlsplit

from .addresses import Address, Network, is_internal

URL_LENGTH_MAX: Final = 1000
DEFAULT_PORTS: Final = {"http": 80, "https": 443}
_LOOKUP_S: Final = 3.0
_NAME: Final = re.compile(r"[a-z0-9_](?:[a-z0-9_-]{0,61}[a-z0-9_])?(?:\.[a-z0-9_](?:[a-z0-9_-]{0,61}[a-z0-9_])?)*\.?")
_VISIBLE: Final = re.compile(r"[\x21-\x7e]+")
_lookups = ThreadPoolExecutor(8, thread_name_prefix="lookup")

Lookup = Callable[[str, int], Iterable[str]]
"""(name, port) → every address it has, as text."""


class BadUrlError(ValueError):
    """No webhook can lead there; `code` says why."""

    def __init__(self, code: str) -> None:
        self.code = code
        super().__init__(code)


class NotFoundError(OSError):
    """The name has no address now."""


class InternalAddressError(Exception):
    """The name has an address that nothing may be sent to."""


@dataclass(frozen=True, slots=True)
class Target:
    """Where a request goes: read from the address once, for the check and the request alike."""

    scheme: str
    host: str
    port: int
    path: str

    @property
    def authority(self) -> str:
        """As the `Host` field names it."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return host if self.port == DEFAULT_PORTS[self.scheme] else f"{host}:{self.port}"


def target_of(url: str, *, ports: Iterable[int], allows_http: bool) -> Target:
    """Read an address. Raises `BadUrlError` with `url_form`, `https_required`, `url_with_password` or `port_refused`.

    >>> target_of("https://hooks.example.com/in?x=1", ports=[443], allows_http=False)
    Target(scheme='https', host='hooks.example.com', port=443, path='/in?x=1')
    """
    if len(url) > URL_LENGTH_MAX or not _VISIBLE.fullmatch(url) or "\\" in url or "#" in url:
        raise BadUrlError("url_form")
    try:
        parts = urlsplit(url)
        host, port = (parts.hostname or "").lower(), parts.port
    except ValueError as error:
        raise BadUrlError("url_form") from error
    if parts.scheme not in DEFAULT_PORTS or not _is_host(host):
        raise BadUrlError("url_form")
    if parts.username is not None or parts.password is not None:
        raise BadUrlError("url_with_password")
    if parts.scheme == "http" and not allows_http:
        raise BadUrlError("https_required")
    port = DEFAULT_PORTS[parts.scheme] if port is None else port
    if port not in set(ports):
        raise BadUrlError("port_refused")
    return Target(parts.scheme, host, port, (parts.path or "/") + (f"?{parts.query}" if parts.query else ""))


def _is_host(host: str) -> bool:
    """A name, or an address without the name of an interface."""
    if ":" in host:
        try:
            ipaddress.IPv6Address(host)
        except ValueError:
            return False
        return "%" not in host
    return len(host) <= 253 and _NAME.fullmatch(host) is not None


def system_lookup(host: str, port: int) -> list[str]:
    """By the machine's own resolver, which also reads the old forms of numbers (0x7f.1, 2130706433)."""
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(str(address[0]) for *_rest, address in found))


def addresses_of(target: Target, *, allowed: Iterable[Network], lookup: Lookup = system_lookup) -> list[Address]:
    """Every address of the target's host, all of them checked: one internal one among them refuses all.

    Raises `NotFoundError` or `InternalAddressError`.
    """
    try:
        found = _lookups.submit(lambda: list(lookup(target.host, target.port))).result(_LOOKUP_S)
    except (TookTooLong, OSError, UnicodeError) as error:
        raise NotFoundError(f"no address is found for {target.host}") from error
    try:
        addresses = [ipaddress.ip_address(each.partition("%")[0]) for each in found]
    except ValueError as error:
        raise NotFoundError(f"no address is found for {target.host}") from error
    if not addresses:
        raise NotFoundError(f"no address is found for {target.host}")
    networks = tuple(allowed)
    if any(is_internal(each, networks) for each in addresses):
        raise InternalAddressError(target.host)
    return addresses
