"""An ASGI application that has a WSGI application answer in threads, none of which waits for the network.

A tablet whose wireless drops leaves a connection with half a body behind. Read in a thread, a few of them would
hold all threads; here each holds no more than its own body, and is refused when nothing comes any more.
"""

from __future__ import annotations

import asyncio
import sys
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from http import HTTPStatus
from tempfile import SpooledTemporaryFile
from typing import IO, TYPE_CHECKING, Any, Final, TypeVar
from urllib.parse import unquote_to_bytes

from fleet.api.problem_handlers import refuse
from fleet.api.problems import Problem
from reports.archive.members import LARGEST_UPLOAD

if TYPE_CHECKING:
    from wsgiref.types import WSGIApplication, WSGIEnvironment

    from asgiref.typing import ASGIReceiveCallable, ASGISendCallable, HTTPScope

THREADS: Final = 8
"""Requests that one process answers at a time: not more than it has database connections (`deploy.database.POOL`)."""
PATIENCE_S: Final = 30.0
"""How long a body may stand still."""
LARGEST_BODY: Final = 12_000_000
"""More than any call takes; each has a limit of its own."""
LARGER_BODIES: Final = {"/api/v1/archives/": LARGEST_UPLOAD, "/archives/": LARGEST_UPLOAD}
"""But for these, by path. They lie on disk, like all that are larger than what is kept in memory."""
KEPT_IN_MEMORY: Final = 1_000_000
BLOCK: Final = 262_144
"""Bytes of an answer that are made at once."""

T = TypeVar("T")


class DisconnectedError(Exception):
    """Whoever asked is gone."""


class ThreadedApplication:
    """Reads a request's body without a thread, and then uses one to answer it."""

    def __init__(self, application: WSGIApplication, *, patience_s: float = PATIENCE_S) -> None:
        self.application = application
        self.patience_s = patience_s
        self._threads = ThreadPoolExecutor(THREADS, thread_name_prefix="request")

    async def __call__(self, scope: HTTPScope, receive: ASGIReceiveCallable, send: ASGISendCallable) -> None:
        environ = wsgi_environment(scope)
        with SpooledTemporaryFile(max_size=KEPT_IN_MEMORY) as body:
            environ["wsgi.input"] = body
            try:
                problem = await self._read_body(environ, receive)
            except DisconnectedError:
                return
            application = partial(refuse, problem) if problem else self.application
            await self._send(Answer(application, environ), send)

    async def _read_body(self, environ: WSGIEnvironment, receive: ASGIReceiveCallable) -> Problem | None:
        """Put the body into the environment, or say why it is refused."""
        body: IO[bytes] = environ["wsgi.input"]
        if "HTTP_TRANSFER_ENCODING" in environ:
            return None  # The application refuses what has no stated length.
        largest = LARGER_BODIES.get(environ["PATH_INFO"], LARGEST_BODY)
        if _stated_length(environ) > largest:
            return Problem(HTTPStatus.REQUEST_ENTITY_TOO_LARGE)
        try:
            await self._copy(receive, body, largest)
        except TimeoutError:
            return Problem(HTTPStatus.REQUEST_TIMEOUT, headers={"Connection": "close"})
        if body.tell() > largest:
            return Problem(HTTPStatus.REQUEST_ENTITY_TOO_LARGE)
        environ["CONTENT_LENGTH"] = str(body.tell())
        body.seek(0)
        return None

    async def _copy(self, receive: ASGIReceiveCallable, body: IO[bytes], largest: int) -> None:
        """Copy what comes, to its end or to where it is too much."""
        is_complete = False
        while not is_complete and body.tell() <= largest:
            async with asyncio.timeout(self.patience_s):
                message = await receive()
            if message["type"] != "http.request":
                raise DisconnectedError
            body.write(message.get("body", b""))
            is_complete = not message.get("more_body", False)

    async def _send(self, answer: Answer, send: ASGISendCallable) -> None:
        try:
            block = await self._in_thread(answer.begin)
            await send({
                "type": "http.response.start",
                "status": answer.status,
                "headers": answer.headers,
                "trailers": False,
            })  # fmt: skip
            while not answer.is_complete:
                await send({"type": "http.response.body", "body": block, "more_body": True})
                block = await self._in_thread(answer.next_block)
            await send({"type": "http.response.body", "body": block, "more_body": False})
        finally:
            if not answer.is_complete:
                await self._in_thread(answer.close)

    async def _in_thread(self, function: Callable[[], T]) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._threads, function)


class Answer:
    """What a WSGI application answers, made block by block: a slow reader holds no thread either."""

    def __init__(self, application: WSGIApplication, environ: WSGIEnvironment) -> None:
        self.status = 0
        self.headers: list[tuple[bytes, bytes]] = []
        self.is_complete = False
        self._application, self._environ = application, environ
        self._content: Iterable[bytes] = ()
        self._parts: Iterator[bytes] = iter(())

    def begin(self) -> bytes:
        """Status, headers and the first block."""
        self._content = self._application(self._environ, self._start)
        self._parts = iter(self._content)
        return self.next_block()

    def next_block(self) -> bytes:
        """What follows; a short answer is complete with its first block, and closed in the thread that made it."""
        block = bytearray()
        for part in self._parts:
            block += part
            if len(block) >= BLOCK:
                return bytes(block)
        self.close()
        return bytes(block)

    def close(self) -> None:
        self.is_complete = True
        if close := getattr(self._content, "close", None):
            close()

    def _start(self, status: str, headers: list[tuple[str, str]], exc_info: Any = None) -> Callable[[bytes], object]:
        self.status = int(status.partition(" ")[0])
        self.headers = [(name.lower().encode("latin-1"), value.encode("latin-1")) for name, value in headers]
        return _write


def _write(_content: bytes) -> object:
    raise NotImplementedError("An answer is what the application returns.")


def wsgi_environment(scope: HTTPScope) -> WSGIEnvironment:
    """What PEP 3333 says of a request, except for its body."""
    client, server = scope["client"] or ("", 0), scope["server"] or ("", 0)
    return {
        **_headers(scope),
        "REQUEST_METHOD": scope["method"],
        "SCRIPT_NAME": scope["root_path"],
        "PATH_INFO": unquote_to_bytes(scope["raw_path"]).decode("latin-1"),
        "QUERY_STRING": scope["query_string"].decode("latin-1"),
        "SERVER_PROTOCOL": f"HTTP/{scope['http_version']}",
        "SERVER_NAME": server[0],
        "SERVER_PORT": str(server[1]),
        "REMOTE_ADDR": client[0],
        "wsgi.version": (1, 0),
        "wsgi.url_scheme": scope["scheme"],
        "wsgi.errors": sys.stderr,
        "wsgi.multithread": True,
        "wsgi.multiprocess": True,
        "wsgi.run_once": False,
    }


def _stated_length(environ: WSGIEnvironment) -> int:
    stated = environ.get("CONTENT_LENGTH", "")
    return int(stated) if stated.isdecimal() else 0


def _headers(scope: HTTPScope) -> dict[str, str]:
    """Headers as variables; one with an underscore could pass for another and is left out."""
    found: defaultdict[str, list[str]] = defaultdict(list)
    for name, value in scope["headers"]:
        if b"_" not in name:
            found[_variable(name.decode("latin-1"))].append(value.decode("latin-1"))
    return {name: (";" if name == "HTTP_COOKIE" else ",").join(values) for name, values in found.items()}


def _variable(header: str) -> str:
    name = header.upper().replace("-", "_")
    return name if name in ("CONTENT_TYPE", "CONTENT_LENGTH") else f"HTTP_{name}"
