"""A real mail server on this machine (RFC 5321) that keeps what it takes, and refuses when it is told to."""

from __future__ import annotations

import email
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email.message import EmailMessage
from email.policy import default
from typing import Any

from aiosmtpd.controller import Controller

from tests.ports import free_port


@dataclass
class MailServer:
    """`refusal` is what it answers to every recipient, empty: it takes all."""

    port: int
    refusal: str = ""
    taken: list[EmailMessage] = field(default_factory=list)
    refused: int = 0

    async def handle_RCPT(  # noqa: N802  (the library's name)
        self, _server: Any, _session: Any, envelope: Any, address: str, _options: list[str]
    ) -> str:
        if self.refusal:
            self.refused += 1
            return self.refusal
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, _server: Any, _session: Any, envelope: Any) -> str:  # noqa: N802
        made: Any = email.message_from_bytes(envelope.content, policy=default)
        self.taken.append(made)
        return "250 OK"

    def to(self, address: str) -> list[EmailMessage]:
        return [each for each in self.taken if each["To"] == address]


@contextmanager
def mail_server(port: int | None = None, *, known: MailServer | None = None) -> Iterator[MailServer]:
    """Listening from here to the end of the block."""
    server = known or MailServer(port or free_port())
    controller = Controller(server, hostname="127.0.0.1", port=server.port)
    controller.start()
    try:
        yield server
    finally:
        controller.stop()
