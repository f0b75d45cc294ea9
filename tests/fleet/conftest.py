"""What the tests of fleet share."""

from collections.abc import Iterator

import pytest
from django.core.cache import cache

from fleet import specifications

SHARE = 0.93


@pytest.fixture(autouse=True)
def passing_share(monkeypatch: pytest.MonkeyPatch) -> float:
    """Stand in for the upper layer that computes the share of passing vehicles: fleet does not know it."""
    monkeypatch.setattr(specifications, "_passing_share", [lambda _content: SHARE])
    return SHARE


@pytest.fixture(autouse=True)
def _no_throttle_history() -> Iterator[None]:
    cache.clear()
    yield
    cache.clear()
