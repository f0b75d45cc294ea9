"""What the tests of the work's interface stand on."""

from __future__ import annotations

import pytest

from tests.calibration.api.http_bench import HttpBench
from tests.factories import Site, make_site


@pytest.fixture
def site(db: None) -> Site:
    return make_site()


@pytest.fixture
def bench(site: Site) -> HttpBench:
    return HttpBench.of(site)
