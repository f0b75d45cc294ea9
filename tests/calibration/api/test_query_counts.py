"""How many queries an answer costs is pinned, and lists cost the same whatever their length."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from tests.calibration.api.http_bench import ON_TARGET, ONE_HIGH, SETPOINTS, HttpBench
from tests.factories import Site

OVERHEAD = 6
"""Credential, transaction (begin, end), workshop, token and epoch of any request; see `fleet.middleware`."""


def queries_of(bench: HttpBench, address: str, **query: Any) -> int:
    bench.get(address, **query)
    with CaptureQueriesContext(connection) as captured:
        assert bench.get(address, **query).status_code == 200
    return len(captured)


@pytest.fixture
def busy(site: Site, bench: HttpBench) -> HttpBench:
    """One vehicle's job after two adjustments, and another job beside it."""
    bench.adjusted()
    bench.write(read_back={**bench.setpoints, "RR": 121})
    bench.measure(ON_TARGET)
    HttpBench.of(site).measured(ONE_HIGH)
    return bench


LISTS = {
    "/jobs/": 2,
    "/rounds/": 5,
    "/proposals/": 3,
    "/writes/": 4,
    "/jobs/{job}/readiness/": 3,
    "/jobs/{job}/rounds/": 6,
    "/jobs/{job}/writes/": 5,
    "/jobs/{job}/findings/": 3,
    "/vehicles/{vin}/setpoints/": 10,
}


def test_a_list_costs_the_same_whatever_its_length(busy: HttpBench) -> None:
    places = {address: address.format(job=busy.job, vin=busy.vehicle.vin) for address in LISTS}
    few = {address: queries_of(busy, place, page_size="1") - OVERHEAD for address, place in places.items()}
    all_of_them = {address: queries_of(busy, place) - OVERHEAD for address, place in places.items()}
    assert few == all_of_them == LISTS


MOST_FOR_ONE_JOB = 30
"""A job is read table by table: which tables have rows for it bears on the number, how many rows does not."""


def test_one_job_costs_the_same_however_much_happened_in_it(bench: HttpBench) -> None:
    bench.measured(ONE_HIGH)
    bench.write(bench.propose())
    bench.measure(ON_TARGET)
    bench.write(read_back={**SETPOINTS, "RR": 121})
    few = queries_of(bench, f"/jobs/{bench.job}/")

    for count in (120, 119, 118):
        bench.measure(ON_TARGET)
        bench.write(read_back={**SETPOINTS, "RR": count})
    many = queries_of(bench, f"/jobs/{bench.job}/")

    assert few == many <= OVERHEAD + MOST_FOR_ONE_JOB


def test_open_approvals_cost_one_reading_of_each_waiting_job(site: Site, bench: HttpBench) -> None:
    def waiting(each: HttpBench) -> None:
        each.measured(ONE_HIGH)
        each.propose(setpoints={**SETPOINTS, "RR": 121}, justification="Try.")

    waiting(bench)
    one = queries_of(bench, "/approvals/", state="open")
    waiting(HttpBench.of(site))
    two = queries_of(bench, "/approvals/", state="open")

    assert queries_of(bench, "/approvals/", state="approved") == OVERHEAD + 1
    assert 0 < two - one <= MOST_FOR_ONE_JOB
    assert one <= OVERHEAD + 4 + MOST_FOR_ONE_JOB
