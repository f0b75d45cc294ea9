"""What guards a secret counts for all web processes together."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.core.cache import cache
from redis.exceptions import ConnectionError as CacheUnreachable
from rest_framework.test import APIClient

from fleet.api import throttling
from tests.factories import PASSWORD, Site

ATTEMPTS = """
import sys, types, django
django.setup()
from fleet.api.throttling import SignInPersonThrottle
throttle = type("Throttle", (SignInPersonThrottle,), {})
if sys.argv[1] == "alone":
    from django.core.cache import caches
    throttle.cache = caches["process"]
view = types.SimpleNamespace(kwargs={"code": "the-same-invitation"})
print(sum(throttle().allow_request(None, view) for _ in range(6)))
"""


def attempts_let_through(data: Path, cache: str) -> int:
    """How many of six attempts another process lets through."""
    outcome = subprocess.run(
        [sys.executable, "-c", ATTEMPTS, cache],
        env={**os.environ, "LEVELBOOK_DATA": str(data), "DJANGO_SETTINGS_MODULE": "deploy.settings"},
        cwd=settings.BASE_DIR,
        capture_output=True,
        text=True,
        check=True,
    )
    return int(outcome.stdout)


def test_a_limit_holds_across_processes_and_their_restarts(tmp_path: Path) -> None:
    """Ten a minute: the first process lets six through, the next one only four more."""
    assert [attempts_let_through(tmp_path, "shared") for _process in range(3)] == [6, 4, 0]


def test_counted_in_each_process_alone_it_would_not(tmp_path: Path) -> None:
    assert [attempts_let_through(tmp_path, "alone") for _process in range(2)] == [6, 6]


@pytest.mark.parametrize("error", [CacheUnreachable("refused"), OSError("disk full")])
def test_where_attempts_cannot_be_counted_nobody_signs_in(
    site: Site, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    class Broken:
        def get(self, *_args: Any) -> Any:
            raise error

    monkeypatch.setattr(throttling.SharedThrottle, "cache", Broken())
    body = {"email": site.manager.email, "password": PASSWORD, "device": "tablet"}
    answer = site.manager.client().post("/api/v1/tokens/", body)
    assert (answer.status_code, answer.json()["type"]) == (503, "unavailable")
    assert answer["Retry-After"]


FORWARDED = ("203.0.113.1", "203.0.113.2", "203.0.113.3")


def signing_in_from(
    addresses: tuple[str, ...], settings: Any, monkeypatch: pytest.MonkeyPatch, proxies: Any
) -> list[int]:
    """Statuses of attempts over one connection's address, two of which are allowed; each names a first address."""
    monkeypatch.setattr(throttling.SignInAddressThrottle, "default_rate", "2/min")
    settings.REST_FRAMEWORK = {**settings.REST_FRAMEWORK, "NUM_PROXIES": proxies}
    cache.clear()
    body = {"email": "nobody@example.com", "password": PASSWORD, "device": "tablet"}
    headers = [{"X-Forwarded-For": f"{address}, 198.51.100.1"} for address in addresses]
    return [APIClient().post("/api/v1/tokens/", body, headers=each).status_code for each in headers]


def test_an_address_that_the_caller_writes_into_a_header_is_not_believed(
    db: None, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    proxies = settings.REST_FRAMEWORK["NUM_PROXIES"]
    assert signing_in_from(FORWARDED, settings, monkeypatch, proxies) == [401, 401, 429]


def test_behind_a_proxy_of_ones_own_only_what_it_wrote_is_believed(
    db: None, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One proxy adds the last address, two the last two."""
    assert signing_in_from(FORWARDED, settings, monkeypatch, 1) == [401, 401, 429]
    assert signing_in_from(FORWARDED, settings, monkeypatch, 2) == [401, 401, 401]


def test_believed_it_would_let_everybody_try_without_end(
    db: None, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Negative control: what the framework does unless told how many proxies there are."""
    assert signing_in_from(FORWARDED, settings, monkeypatch, None) == [401, 401, 401]
