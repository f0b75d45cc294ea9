"""The running web server: requests that never arrive in full keep nobody waiting, and all processes are counted."""

from __future__ import annotations

import http.client
import json
import socket
from collections.abc import Iterator
from contextlib import ExitStack

import pytest

from deploy.threaded import THREADS
from tests.deploy.conftest import Service

HALF_SENT = 40
"""More than all threads of both web processes."""
HEAD = (
    b"POST /api/v1/tokens/ HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: 500\r\n\r\n"
)
HALF = HEAD + b'{"email": '
PATIENCE_S = 30.0
COUNTER = "django_http_requests_before_middlewares_total"


@pytest.fixture
def half_sent(running: Service) -> Iterator[list[socket.socket]]:
    """Connections whose requests stop in the middle of the body."""
    with ExitStack() as stack:
        connections = [
            stack.enter_context(socket.create_connection(("127.0.0.1", running.port), PATIENCE_S))
            for _number in range(HALF_SENT)
        ]
        for connection in connections:
            connection.sendall(HALF)
        yield connections


def test_half_sent_bodies_hold_no_thread(running: Service, half_sent: list[socket.socket]) -> None:
    assert len(half_sent) > 2 * THREADS
    asked = [ask(running) for _number in range(4 * THREADS)]
    assert asked == [401] * len(asked)


def test_a_body_whose_rest_comes_late_is_answered(running: Service, half_sent: list[socket.socket]) -> None:
    assert ask(running) == 401
    late = half_sent[0]
    late.sendall(b'"a@b"}'.ljust(500 - len(HALF) + len(HEAD)))
    answer = http.client.HTTPResponse(late)
    answer.begin()
    assert answer.status == 422
    assert json.loads(answer.read())["type"] == "invalid"


def test_the_figures_are_those_of_all_processes(running: Service) -> None:
    """Each scrape is answered by one of them."""
    asked = 40
    before = requests_counted(running)
    for _number in range(asked):
        ask(running)
    assert min(requests_counted(running) for _scrape in range(10)) - before >= asked


def requests_counted(service: Service) -> float:
    connection = http.client.HTTPConnection("127.0.0.1", service.port, timeout=PATIENCE_S)
    try:
        connection.request("GET", "/metrics")
        lines = connection.getresponse().read().decode().splitlines()
    finally:
        connection.close()
    return next(float(line.split()[1]) for line in lines if line.startswith(f"{COUNTER} "))


def ask(service: Service) -> int:
    """The status of the answer to a body that arrives."""
    connection = http.client.HTTPConnection("127.0.0.1", service.port, timeout=PATIENCE_S)
    try:
        connection.request("POST", "/api/v1/jobs/", b"{}", {"Content-Type": "application/json"})
        return connection.getresponse().status
    finally:
        connection.close()
