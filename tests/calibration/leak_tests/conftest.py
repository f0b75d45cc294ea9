"""A job that waits for its round, and one with a corner to be adjusted."""

from __future__ import annotations

from datetime import timedelta

import pytest

from tests.calibration.bench import Bench
from tests.calibration.leak_tests.leaking import HIGH, LEAKS
from tests.factories import Site


@pytest.fixture
def bench(site: Site) -> Bench:
    vehicle = site.vehicle(vehicle_model=site.specification(**LEAKS).vehicle_model)
    bench = Bench.open(site, vehicle, hours_ago=200)
    bench.instrument = site.instrument(calibrated_on=(bench.now - timedelta(days=30)).date())
    return bench


@pytest.fixture
def ready(bench: Bench) -> Bench:
    """One corner is to be adjusted: without a leak a proposal is next."""
    bench.ready()
    bench.measure(HIGH)
    assert bench.next_step == "propose"
    return bench
