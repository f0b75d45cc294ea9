"""A workshop for every test, inside its own transaction."""

from collections.abc import Iterator
from copy import deepcopy

import pytest

from fleet.tenancy import in_workshop
from tests.factories import Site


@pytest.fixture
def site(equipped_site: Site, db: None) -> Iterator[Site]:
    with in_workshop(equipped_site.workshop.pk):
        yield deepcopy(equipped_site)
