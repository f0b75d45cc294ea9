"""A program that is told of events: a real HTTP server on this machine that keeps what it was sent."""

from __future__ import annotations

import ssl
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import Thread
from typing import Any


@dataclass
class Received:
    """One request."""

    path: str
    headers: dict[str, str]
    body: bytes


@dataclass
class Receiver:
    """`statuses` are given in turn, the last one for ever; `headers` go with each answer."""

    host: str
    port: int = 0
    statuses: list[int] = field(default_factory=lambda: [204])
    headers: dict[str, str] = field(default_factory=dict)
    received: list[Received] = field(default_factory=list)

    @property
    def url(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"http://{host}:{self.port}/hooks?of=levelbook"

    def take(self, request: Received) -> int:
        self.received.append(request)
        return self.statuses.pop(0) if len(self.statuses) > 1 else self.statuses[0]


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    receiver: Receiver

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A client that breaks off is no fault of this server."""


class _Handler(BaseHTTPRequestHandler):
    server: _Server
    protocol_version = "HTTP/1.1"

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
        headers = {name.lower(): value for name, value in self.headers.items()}
        status = self.server.receiver.take(Received(self.path, headers, body))
        self.send_response(status)
        for name, value in self.server.receiver.headers.items():
            self.send_header(name, value)
        self.send_header("Content-Length", "0")
        self.end_headers()

    do_GET = do_POST  # noqa: N815  (what a redirect would be followed with)

    def log_message(self, *_values: Any) -> None:
        """Say nothing."""


@contextmanager
def receiving(host: str = "127.0.0.1", *, context: ssl.SSLContext | None = None, port: int = 0) -> Iterator[Receiver]:
    """A receiver at an address of this machine."""
    family = {True: 10, False: 2}[":" in host]
    server_class = type("Server", (_Server,), {"address_family": family})
    server = server_class((host, port), _Handler)
    if context is not None:
        server.socket = context.wrap_socket(server.socket, server_side=True)
    receiver = server.receiver = Receiver(host, server.server_address[1])
    thread = Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    try:
        yield receiver
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
