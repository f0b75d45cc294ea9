"""Leak tests on the pages of the job and of its vehicle: what each corner did, how fast it sinks, what that says."""

from __future__ import annotations

import pytest
from django.test import Client

from fleet.models import Membership
from fleet.tenancy import in_workshop
from tests.factories import Site
from tests.fleet.signin.browsers import browser_of
from tests.reports import jobs


@pytest.fixture
def bench(site: Site) -> jobs.Bench:
    vehicle = site.vehicle(vehicle_model=site.specification(leak_limit_mm_per_h=1, air_column_mm=300).vehicle_model)
    bench = jobs.Bench.at(site, vehicle=vehicle)
    bench.receive()
    bench.leak_test(RL=30, FR=14, hours=4, degrees=(20, 10))
    return bench


def pages_of(browser: Client, bench: jobs.Bench) -> list[str]:
    addresses = (f"/jobs/{bench.job_id}/", f"/vehicles/{bench.vehicle.vin}/")
    return [" ".join(browser.get(each).content.decode().split()) for each in addresses]


def test_they_show_rates_temperature_and_what_would_decide(bench: jobs.Bench, site: Site) -> None:
    for page in pages_of(browser_of(site.manager), bench):
        assert "Leak tests" in page
        assert "−30.0" in page
        assert "−10.2" in page
        assert "hours would decide." in page
        assert "At most 1.00 mm per hour is allowed." in page
        assert "What the temperature did is taken out" in page


def test_in_inches_for_whoever_reads_inches(bench: jobs.Bench, site: Site) -> None:
    with in_workshop(site.workshop.pk):
        Membership.objects.filter(pk=site.manager.membership.pk).update(length_unit="inch")
    for page in pages_of(browser_of(site.manager), bench):
        assert "Sinks, inch per hour" in page
        assert "At most 0.039 inch per hour is allowed." in page


def test_no_limit_and_no_temperature_are_said(site: Site) -> None:
    vehicle = site.vehicle(vehicle_model=site.specification(leak_limit_mm_per_h=None).vehicle_model)
    bench = jobs.Bench.at(site, vehicle=vehicle)
    bench.receive()
    bench.leak_test(RL=30)
    for page in pages_of(browser_of(site.manager), bench):
        assert "The specification names no limit, so nothing is judged." in page
        assert "Not corrected for temperature" in page
