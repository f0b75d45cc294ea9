"""Workshops on real commits, for threads that each have a connection of their own."""

from __future__ import annotations

import pytest

from tests.factories import Site, make_site


@pytest.fixture
def site(committed_db: None, no_hints: None) -> Site:
    return make_site()
