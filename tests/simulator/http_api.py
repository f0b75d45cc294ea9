"""A person's way to a running service: the REST interface and nothing else."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import httpx
from uuid_utils.compat import uuid7

from tests.plain_http import TRUSTING_NOBODY

BASE = "/api/v1"
PATIENCE_S = 60.0
MOST_TRIES = 5
BUSY = (429, 503)

Answer = Any
"""Whatever JSON a call answers."""
Trace = Callable[[str, str, Any, int, Any], None]
"""Told of each call: method, path, what was sent, status, what was answered."""


class RefusedError(AssertionError):
    """The service refused what the simulated person was told to do."""

    def __init__(self, method: str, path: str, status: int, problem: Any) -> None:
        self.status, self.problem = status, problem
        super().__init__(f"{method} {path}: {status} {problem}")


def connection(url: str, transport: httpx.BaseTransport | None = None) -> httpx.Client:
    """A connection to the service, to be closed; a `transport` stands in for the network in tests."""
    is_plain = url.startswith("http:")
    return httpx.Client(
        base_url=url, timeout=PATIENCE_S, transport=transport, verify=TRUSTING_NOBODY if is_plain else True
    )


@dataclass(frozen=True, slots=True)
class Api:
    """Calls with one person's token over a connection that others may share."""

    client: httpx.Client
    token: str = ""
    trace: Trace | None = None

    def as_person(self, token: str) -> Api:
        """The same service for somebody else."""
        return replace(self, token=token)

    def get(self, path: str, **query: str) -> Answer:
        return self._json("GET", path, params=query)

    def post(self, path: str, body: Mapping[str, Any] | None = None) -> Answer:
        """A POST under a client-made id, so that a repeat after a lost answer does nothing twice."""
        return self._json("POST", path, json={"id": str(uuid7()), **(body or {})})

    def act(self, path: str, body: Mapping[str, Any]) -> Answer:
        """A POST to what takes no client-made id."""
        return self._json("POST", path, json=dict(body))

    def fetch(self, path: str) -> bytes:
        return self._answered("GET", path).content

    def _json(self, method: str, path: str, **sent: Any) -> Answer:
        response = self._answered(method, path, **sent)
        answer = response.json()
        if self.trace:
            self.trace(
                method, str(response.request.url.raw_path, "ascii"), sent.get("json"), response.status_code, answer
            )
        return answer

    def _answered(self, method: str, path: str, **sent: Any) -> httpx.Response:
        headers = {"Authorization": f"Bearer {self.token}"} if self.token else {}
        for _ in range(MOST_TRIES):
            response = self.client.request(method, BASE + path, headers=headers, **sent)
            if response.status_code not in BUSY:
                break
            time.sleep(float(response.headers.get("Retry-After", "1")))
        if response.is_success:
            return response
        raise RefusedError(method, path, response.status_code, _problem(response))


def _problem(response: httpx.Response) -> Any:
    try:
        return response.json()
    except ValueError:
        return response.text[:500]
