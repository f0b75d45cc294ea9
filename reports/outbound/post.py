"""One POST to an address that was checked before: no redirect is followed, no proxy asked, nothing read but the status.

The certificate is checked against the name in the address, the connection goes to the number that was checked.
"""

from __future__ import annotations

import http.client
import socket
import ssl
import time
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from itertools import islice
from threading import Timer
from typing import Final

from .addresses import Address
from .target import Target

CONNECT_S: Final = 3.0
MOST_ADDRESSES: Final = 3


class UnansweredError(OSError):
    """No answer came: no connection, no handshake, or not in time."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What the receiver said; its body is not read."""

    status: int
    retry_after_s: int | None = None


class _Checked(http.client.HTTPConnection):
    """A connection to an address in place of a name."""

    def __init__(self, target: Target, address: Address, ends: float) -> None:
        super().__init__(target.host, target.port, timeout=CONNECT_S)
        self._target, self._address, self._ends = target, address, ends
        self.is_broken_off = False

    def connect(self) -> None:
        place = (str(self._address), self._target.port)
        self.sock = socket.create_connection(place, min(CONNECT_S, _left(self._ends)))
        self.sock.settimeout(_left(self._ends))
        if self._target.scheme == "https":
            context = ssl.create_default_context()
            name = self._target.host.rstrip(".")
            # The handshake comes afterwards, so that it, too, can be broken off.
            self.sock = context.wrap_socket(self.sock, server_hostname=name, do_handshake_on_connect=False)
            self.sock.do_handshake()


def post(
    target: Target, addresses: Iterable[Address], body: bytes, headers: Mapping[str, str], *, ends: float
) -> Answer:
    """Send to the first address that takes the connection, and be done when `time.monotonic()` is at `ends`: a
    receiver that sends a byte now and then holds nobody up for longer. Raises `UnansweredError`.
    """
    failure: Exception | None = None
    for address in islice(addresses, MOST_ADDRESSES):
        if time.monotonic() >= ends:
            break
        connection = _Checked(target, address, ends)
        timer = Timer(_left(ends), _break_off, [connection])
        timer.daemon = True
        timer.start()
        try:
            try:
                connection.connect()
            except OSError as error:
                failure = error
                continue
            return _sent(connection, target, body, headers)
        except (OSError, ValueError, http.client.HTTPException) as error:
            # Once sent, another address would be a second time.
            raise UnansweredError(_in_words(error)) from error
        finally:
            timer.cancel()
            connection.close()
    raise UnansweredError(_in_words(failure)) from failure


def _left(ends: float) -> float:
    """Seconds; never none at all, which would mean that nothing is waited for."""
    return max(ends - time.monotonic(), 0.001)


def _sent(connection: _Checked, target: Target, body: bytes, headers: Mapping[str, str]) -> Answer:
    connection.request("POST", target.path, body, {"Host": target.authority, **headers, "Connection": "close"})
    response = connection.getresponse()
    if connection.is_broken_off:  # what had come by then may look like a whole answer
        raise UnansweredError("no whole answer in time")
    return Answer(response.status, _seconds(response.headers.get("Retry-After")))


def _break_off(connection: _Checked) -> None:
    connection.is_broken_off = True
    with suppress(OSError, AttributeError, TypeError):
        # Not the one of TLS, which would have the reader go on without it.
        socket.socket.shutdown(connection.sock, socket.SHUT_RDWR)


def _seconds(text: str | None) -> int | None:
    """`Retry-After` as a number of seconds; a date is left aside."""
    return int(text) if text and text.isascii() and text.isdecimal() and len(text) < 8 else None


def _in_words(error: Exception | None) -> str:
    return f"{type(error).__name__}: {error}"[:300] if error else "no connection in time"
