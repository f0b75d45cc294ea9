"""The tablet's modules on an address of their own, without the service."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread
from typing import Final
from urllib.parse import parse_qs, urlsplit

STATIC: Final = Path(__file__).parents[2] / "calibration" / "static"


@dataclass
class StaticServer:
    """Serves the static folder; `told` is what pages said by `/told?it=…`, in order."""

    origin: str
    told: list[str] = field(default_factory=list)


class _Handler(SimpleHTTPRequestHandler):
    def __init__(self, told: list[str], *arguments: object) -> None:
        self._told = told
        super().__init__(*arguments, directory=str(STATIC))  # type: ignore[arg-type]

    def do_GET(self) -> None:
        address = urlsplit(self.path)
        if address.path != "/told":
            return super().do_GET()
        self._told.extend(parse_qs(address.query)["it"])
        self.send_response(204)
        self.end_headers()
        return None

    def log_message(self, *_: object) -> None:
        """Tests print nothing."""


@contextmanager
def static_server() -> Iterator[StaticServer]:
    told: list[str] = []
    with ThreadingHTTPServer(("127.0.0.1", 0), partial(_Handler, told)) as server:
        server.daemon_threads = True
        Thread(target=server.serve_forever, daemon=True).start()
        try:
            yield StaticServer(f"http://127.0.0.1:{server.server_port}", told)
        finally:
            server.shutdown()
