"""What stands between tablet and service: requests that never arrive, answers that get lost, a server that is busy.

It sits in the server's own thread, before the application, so that the browser sees what it would see in a bay.
"""

from __future__ import annotations

import socket
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from threading import Condition
from typing import Any, Final

from django.contrib.staticfiles.handlers import StaticFilesHandler
from django.core.servers.basehttp import ThreadedWSGIServer
from django.test.testcases import LiveServerThread, QuietWSGIRequestHandler

PATIENCE_S: Final = 120.0
CONNECTION: Final = "levelbook.connection"
BUSY: Final = {429: "429 Too Many Requests", 503: "503 Service Unavailable"}

Answer = tuple[str, list[tuple[str, str]], list[bytes]]
Application = Callable[[dict[str, Any], Callable[..., Any]], Iterable[bytes]]


@dataclass
class Wireless:
    """What happens to the next requests of the interface; each fault lasts for a number of them."""

    is_down: bool = False
    answers_lost: int = 0
    answers_broken_off: int = 0
    busy: list[int] = field(default_factory=list)
    """Status of the answers that the next requests get in place of the service's."""
    slow_s: list[float] = field(default_factory=list)
    requests: int = 0
    _running: int = 0
    _is_held: bool = False
    _changed: Condition = field(default_factory=Condition)

    def mend(self) -> None:
        """All faults end."""
        self.is_down = False
        self.answers_lost = self.answers_broken_off = 0
        self.busy.clear()
        self.slow_s.clear()

    @contextmanager
    def held(self) -> Iterator[None]:
        """Nothing runs within the service: what came before is done, what comes now waits."""
        with self._changed:
            self._is_held = True
            assert self._changed.wait_for(lambda: self._running == 0, PATIENCE_S), "a request does not end"
        try:
            yield
        finally:
            with self._changed:
                self._is_held = False
                self._changed.notify_all()

    def before(self, application: Application) -> Application:
        """The application behind this wireless."""

        def answered(environ: dict[str, Any], start_response: Callable[..., Any]) -> Iterable[bytes]:
            if not environ["PATH_INFO"].startswith("/api/"):
                return self._run(application, environ, start_response)
            return self._disturbed(application, environ, start_response)

        return answered

    def _disturbed(
        self, application: Application, environ: dict[str, Any], start_response: Callable[..., Any]
    ) -> Iterable[bytes]:
        self.requests += 1
        if self.is_down:
            hang_up(environ)
        if self.busy:
            start_response(BUSY[self.busy.pop()], [("Retry-After", "1"), ("Content-Length", "0")])
            return [b""]
        slow_s = self.slow_s.pop() if self.slow_s else 0.0
        kept: list[Any] = []
        body = self._run(application, environ, lambda *args: kept.extend(args))
        time.sleep(slow_s)
        if self.answers_lost > 0:
            self.answers_lost -= 1
            hang_up(environ)
        if self.answers_broken_off > 0 and environ["REQUEST_METHOD"] == "POST":
            self.answers_broken_off -= 1
            start_response(*kept)
            return broken_off(body, environ)
        start_response(*kept)
        return body

    def _run(
        self, application: Application, environ: dict[str, Any], start_response: Callable[..., Any]
    ) -> list[bytes]:
        """The whole answer; then the request's connection to the database is closed."""
        with self._changed:
            self._changed.wait_for(lambda: not self._is_held)
            self._running += 1
        try:
            result = application(environ, start_response)
            try:
                return list(result)
            finally:
                if hasattr(result, "close"):
                    result.close()
        finally:
            with self._changed:
                self._running -= 1
                self._changed.notify_all()


def broken_off(body: list[bytes], environ: dict[str, Any]) -> Iterator[bytes]:
    """Ten bytes of the answer's body, then no connection."""
    yield b"".join(body)[:10]
    hang_up(environ)


def hang_up(environ: dict[str, Any]) -> None:
    """No answer at all; the handler takes it for a client that went away."""
    environ[CONNECTION].shutdown(socket.SHUT_RDWR)
    raise ConnectionAbortedError


class HandlerWithConnection(QuietWSGIRequestHandler):
    def get_environ(self) -> dict[str, Any]:
        return {**super().get_environ(), CONNECTION: self.connection}


class ServerWithConnection(ThreadedWSGIServer):
    """Lets the application hang up."""

    def __init__(self, address: tuple[str, int], _handler: type, **options: Any) -> None:
        super().__init__(address, HandlerWithConnection, **options)


class ServerBehind(LiveServerThread):
    """The service behind a wireless."""

    server_class = ServerWithConnection

    def __init__(self, wireless: Wireless) -> None:
        super().__init__("127.0.0.1", lambda inner: wireless.before(StaticFilesHandler(inner)))  # type: ignore[arg-type]
        self.daemon = True
