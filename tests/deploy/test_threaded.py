"""The WSGI application behind an event loop: what it is told, what it answers, and what never reaches it."""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import Callable, Iterable, Iterator
from typing import Any

import pytest
from django.urls import resolve

from deploy import threaded
from deploy.database import POOL
from deploy.threaded import BLOCK, LARGEST_BODY, THREADS, ThreadedApplication
from deploy.uploads import LARGER_BODIES

SCOPE: dict[str, Any] = {
    "type": "http",
    "http_version": "1.1",
    "method": "POST",
    "scheme": "https",
    "path": "/api/v1/a b",
    "raw_path": b"/api/v1/a%20b%FF",
    "root_path": "",
    "query_string": b"q=%C3%A9",
    "headers": [(b"host", b"bench.example"), (b"content-type", b"application/json"), (b"cookie", b"a=1")],
    "client": ("192.0.2.7", 4711),
    "server": ("127.0.0.1", 8000),
}
Message = dict[str, Any]


class Wsgi:
    """An application that notes what it was asked and answers in parts."""

    def __init__(self, *parts: bytes) -> None:
        self.parts = parts
        self.environ: dict[str, Any] = {}
        self.body = b""
        self.closed = 0
        self.threads: set[str] = set()

    def __call__(self, environ: dict[str, Any], start_response: Callable[..., Any]) -> Iterable[bytes]:
        self.environ, self.body = environ, environ["wsgi.input"].read()
        start_response("201 Created", [("X-Name", "caf\xe9"), ("Set-Cookie", "a=1"), ("Set-Cookie", "b=2")])
        return self

    def __iter__(self) -> Iterator[bytes]:
        for part in self.parts:
            self.threads.add(threading.current_thread().name)
            yield part

    def close(self) -> None:
        self.closed += 1


def part_of_body(content: bytes, *, more: bool = False) -> Message:
    return {"type": "http.request", "body": content, "more_body": more}


def ask(
    application: Any,
    *received: Message,
    patience_s: float = 60,
    larger: dict[str, int] | None = None,
    **changes: Any,
) -> list[Message]:
    """What is sent; after the last of `received` nothing more comes."""
    sent: list[Message] = []
    waiting = list(received)

    async def receive() -> Message:
        if not waiting:
            await asyncio.Event().wait()
        return waiting.pop(0)

    async def send(message: Message) -> None:
        sent.append(message)

    served: Any = ThreadedApplication(application, patience_s=patience_s, larger=larger)
    asyncio.run(served({**SCOPE, **changes}, receive, send))
    return sent


def content(sent: list[Message]) -> bytes:
    return b"".join(each["body"] for each in sent[1:])


def header(sent: list[Message], name: bytes) -> list[bytes]:
    return [value for found, value in sent[0]["headers"] if found == name]


def test_the_application_gets_the_whole_request() -> None:
    wsgi = Wsgi(b"made")
    sent = ask(wsgi, part_of_body(b'{"a"', more=True), part_of_body(b": 1}"))
    assert wsgi.body == b'{"a": 1}'
    expected = {
        "REQUEST_METHOD": "POST",
        "SCRIPT_NAME": "",
        "PATH_INFO": "/api/v1/a b\xff",
        "QUERY_STRING": "q=%C3%A9",
        "CONTENT_TYPE": "application/json",
        "CONTENT_LENGTH": "8",
        "REMOTE_ADDR": "192.0.2.7",
        "SERVER_NAME": "127.0.0.1",
        "SERVER_PORT": "8000",
        "SERVER_PROTOCOL": "HTTP/1.1",
        "HTTP_HOST": "bench.example",
        "HTTP_COOKIE": "a=1",
        "wsgi.url_scheme": "https",
    }
    assert expected.items() <= wsgi.environ.items()
    assert sent[0]["status"] == 201
    assert header(sent, b"x-name") == [b"caf\xe9"]
    assert header(sent, b"set-cookie") == [b"a=1", b"b=2"]
    assert (content(sent), sent[-1]["more_body"], wsgi.closed) == (b"made", False, 1)


def test_headers_of_one_name_are_one_variable_and_underscores_pass_for_nothing() -> None:
    """Otherwise `X_Forwarded_For` would reach the application beside what a proxy sets."""
    wsgi = Wsgi()
    headers = [(b"cookie", b"a=1"), (b"cookie", b"b=2"), (b"accept", b"text/html"), (b"accept", b"*/*")]
    ask(wsgi, part_of_body(b""), headers=[*headers, (b"x_forwarded_for", b"192.0.2.9")])
    assert wsgi.environ["HTTP_COOKIE"] == "a=1;b=2"
    assert wsgi.environ["HTTP_ACCEPT"] == "text/html,*/*"
    assert "HTTP_X_FORWARDED_FOR" not in wsgi.environ


def test_an_answer_without_content_is_still_answered() -> None:
    wsgi = Wsgi()
    assert [each["type"] for each in ask(wsgi, part_of_body(b""))] == ["http.response.start", "http.response.body"]
    assert wsgi.closed == 1


def test_a_long_answer_goes_out_in_blocks() -> None:
    wsgi = Wsgi(*[bytes([number]) * (BLOCK // 4) for number in range(10)])
    sent = ask(wsgi, part_of_body(b""))
    assert content(sent) == b"".join(wsgi.parts)
    assert [each["more_body"] for each in sent[1:]] == [True, True, False]
    assert wsgi.closed == 1


def test_a_reader_who_leaves_has_the_answer_closed() -> None:
    wsgi = Wsgi(b"a" * BLOCK, b"b" * BLOCK)

    async def send(message: Message) -> None:
        if message["type"] == "http.response.body":
            raise ConnectionError

    async def receive() -> Message:
        return part_of_body(b"")

    served: Any = ThreadedApplication(wsgi)
    with pytest.raises(ConnectionError):
        asyncio.run(served(SCOPE, receive, send))
    assert wsgi.closed == 1


def test_a_body_that_stops_coming_is_refused_by_name_and_asked_of_nobody() -> None:
    wsgi = Wsgi(b"made")
    sent = ask(wsgi, part_of_body(b"{", more=True), patience_s=0.05)
    assert (sent[0]["status"], wsgi.environ) == (408, {})
    assert header(sent, b"content-type") == [b"application/problem+json"]
    assert header(sent, b"connection") == [b"close"]
    assert json.loads(content(sent))["type"] == "body_missing"


def test_a_client_that_is_gone_is_answered_nothing() -> None:
    wsgi = Wsgi(b"made")
    assert ask(wsgi, part_of_body(b"{", more=True), {"type": "http.disconnect"}) == []
    assert wsgi.environ == {}


@pytest.mark.parametrize("path", [b"/api/v1/rounds/", b"/admin/"])
def test_a_body_beyond_all_limits_is_not_read(path: bytes) -> None:
    wsgi = Wsgi(b"made")
    headers = [(b"content-length", str(LARGEST_BODY + 1).encode())]
    sent = ask(wsgi, headers=headers, raw_path=path)
    assert (sent[0]["status"], wsgi.environ) == (413, {})


def test_a_call_that_takes_files_takes_larger_ones_up_to_its_own_limit() -> None:
    larger, path = {"/api/v1/imports/": LARGEST_BODY + 10}, b"/api/v1/imports/"
    for size, status in ((LARGEST_BODY + 10, 201), (LARGEST_BODY + 11, 413)):
        headers = [(b"content-length", str(size).encode())]
        sent = ask(Wsgi(b"made"), part_of_body(b"a" * size), headers=headers, raw_path=path, larger=larger)
        assert sent[0]["status"] == status


def test_calls_that_take_files_are_there() -> None:
    assert all(resolve(path) for path in LARGER_BODIES)
    assert min(LARGER_BODIES.values()) > LARGEST_BODY


def test_nor_one_that_never_said_how_long_it_is() -> None:
    wsgi = Wsgi(b"made")
    part = part_of_body(b"a" * (LARGEST_BODY // 4), more=True)
    assert ask(wsgi, *[part] * 5)[0]["status"] == 413
    assert wsgi.environ == {}


def test_a_chunked_body_is_left_to_the_application_which_refuses_it() -> None:
    wsgi = Wsgi(b"refused")
    ask(wsgi, headers=[(b"transfer-encoding", b"chunked")])
    assert (wsgi.environ["HTTP_TRANSFER_ENCODING"], wsgi.body) == ("chunked", b"")


def test_requests_are_answered_at_once_in_threads_of_their_own() -> None:
    """All threads are needed to pass the barrier."""
    together = threading.Barrier(THREADS)

    def application(environ: dict[str, Any], start_response: Callable[..., Any]) -> list[bytes]:
        together.wait(timeout=30)
        start_response("200 OK", [])
        return [b""]

    statuses: list[int] = []

    async def receive() -> Message:
        return part_of_body(b"")

    async def send(message: Message) -> None:
        statuses.extend([message["status"]] if "status" in message else [])

    async def ask_all() -> None:
        served: Any = ThreadedApplication(application)
        await asyncio.gather(*[served(SCOPE, receive, send) for _number in range(THREADS)])

    asyncio.run(ask_all())
    assert statuses == [200] * THREADS


def test_a_process_has_a_database_connection_for_each_thread() -> None:
    assert POOL["max_size"] >= threaded.THREADS
