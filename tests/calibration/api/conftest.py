"""What the tests of the work's interface stand on."""

from __future__ import annotations

from copy import deepcopy

import pytest

from tests.calibration.api.http_bench import HttpBench
from tests.factories import Site


@pytest.fixture
def site(equipped_site: Site, db: None) -> Site:
    return deepcopy(equipped_site)


@pytest.fixture
def bench(site: Site) -> HttpBench:
    return HttpBench.of(site)
