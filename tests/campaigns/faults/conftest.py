"""Two services that the tests share: the real one, and one in which faults can be switched on."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.campaigns.faults.interruptions import Bench
from tests.campaigns.faults.kills import new_shop
from tests.campaigns.faults.running import RunningService, running_service

WAITING_JOBS = 2
"""More than one, since one might be done by chance; `python -m tests.campaigns.faults.interruptions` asks for more."""


@pytest.fixture(scope="session")
def service() -> Iterator[RunningService]:
    with running_service() as service:
        yield service


@pytest.fixture(scope="session")
def seeded_service() -> Iterator[RunningService]:
    with running_service(seeded=True) as service:
        yield service


@pytest.fixture(scope="session")
def bench(service: RunningService) -> Iterator[Bench]:
    """A workshop on the real service."""
    bench = Bench(service, new_shop(service), waiting_jobs=WAITING_JOBS)
    yield bench
    bench.shop.close()


@pytest.fixture(scope="session")
def seeded_bench(seeded_service: RunningService) -> Iterator[Bench]:
    """A workshop on the service whose faults a test switches on."""
    bench = Bench(seeded_service, new_shop(seeded_service), waiting_jobs=WAITING_JOBS)
    yield bench
    bench.shop.close()
