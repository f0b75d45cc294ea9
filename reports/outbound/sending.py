"""From an address to an answer: read it, look its host up once, check what was found, and post there."""

from __future__ import annotations

import time
from collections.abc import Collection, Mapping
from typing import Final

from .addresses import Network
from .post import Answer, post
from .target import addresses_of, target_of

WHOLE_S: Final = 6.0
"""For everything: look-up, connections, handshake, sending and the answer."""


def send(
    url: str,
    body: bytes,
    headers: Mapping[str, str],
    *,
    networks: Collection[Network],
    ports: Collection[int],
    allows_http: bool,
) -> Answer:
    """Raises `BadUrlError`, `InternalAddressError`, `NotFoundError` or `UnansweredError`."""
    ends = time.monotonic() + WHOLE_S
    target = target_of(url, ports=ports, allows_http=allows_http)
    return post(target, addresses_of(target, allowed=networks), body, headers, ends=ends)
