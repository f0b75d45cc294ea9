"""A workshop for every test, inside its own transaction."""

from collections.abc import Iterator

import pytest

from fleet.tenancy import in_workshop
from tests.factories import Site, make_site


@pytest.fixture
def site(db: None) -> Iterator[Site]:
    made = make_site()
    with in_workshop(made.workshop.pk):
        yield made
