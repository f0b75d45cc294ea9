"""A workshop for every test, inside its own transaction."""

from collections.abc import Iterator

import pytest

from fleet.tenancy import in_workshop
from tests.factories import Site


@pytest.fixture
def site(site: Site) -> Iterator[Site]:
    with in_workshop(site.workshop.pk):
        yield site
