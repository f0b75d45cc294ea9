"""Ports that are named before anybody listens there: a service is told its port, and takes seconds to open it."""

from __future__ import annotations

import os
import socket
from typing import Final

FIRST: Final = 20_000
MANY: Final = 10_000
"""Below those that the kernel gives to whoever names none, be it a server or the near end of a connection."""


def free_port() -> int:
    """A port of 127.0.0.1 at which nobody listens, and which no process is given again while this one lives.

    A socket's name tells the other test processes of this machine so; the kernel takes it back when this one ends.
    """
    for number in range(MANY):
        port = FIRST + (os.getpid() * 37 + number) % MANY
        if _is_free(port) and _is_claimed_now(port):
            return port
    raise AssertionError("no port is free")


def _is_claimed_now(port: int) -> bool:
    claim = socket.socket(socket.AF_UNIX)
    try:
        claim.bind(f"\0levelbook-test-port-{port}")
    except OSError:
        claim.close()
        return False
    claim.detach()  # open for as long as the process
    return True


def _is_free(port: int) -> bool:
    with socket.socket() as probe:
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            return False
    return True
