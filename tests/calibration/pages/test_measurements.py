"""The page that says how well the workshop measures."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any

import numpy as np
import pytest
from django.test import Client

from calibration.metrology.gauge_study import study
from fleet.tenancy import in_workshop
from tests.calibration.bench import TRUE_HEIGHTS, Bench
from tests.factories import Person, Site
from tests.fleet.signin.browsers import browser_of

PATH = "/measurements/"


def read(browser: Client, query: str = "") -> str:
    answer = browser.get(PATH + query)
    assert answer.status_code == 200
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode()))


def measure(bench: Bench, person: Person, *deviations: float) -> None:
    """A round of this person; each corner is read with these deviations, and the front left one 4 mm higher."""
    readings: list[dict[str, Any]] = [
        {"corner": corner, "height_mm": Decimal(str(height + each + (4 if corner == "FL" else 0)))}
        for corner, height in TRUE_HEIGHTS.items()
        for each in deviations
    ]
    bench.measure(by=person, readings=readings)


@pytest.fixture
def other(site: Site) -> Person:
    return site.person("technician")


@pytest.fixture
def bench(site: Site, other: Person) -> Bench:
    with in_workshop(site.workshop.pk):
        bench = Bench.open(site)
        bench.ready()
        measure(bench, site.technician, 0, 1)
        measure(bench, other, 2, 1)
    return bench


def test_a_job_measured_by_two_people_is_a_study(site: Site, bench: Bench, other: Person) -> None:
    told = read(browser_of(site.manager))
    values = np.array([[[0, 1], [2, 1]]] * 4, dtype=float) + np.array([4, 0, 0, 0]).reshape(4, 1, 1)
    expected = study(values, tolerance_mm=6).measurement
    assert f"Measurement together {expected.standard_deviation_mm:.2f}" in told
    assert "Measuring takes up much of the tolerance" in told
    assert site.technician.membership.name in told
    assert other.membership.name in told
    assert "2 readings a corner count of each." in told


def test_what_was_measured_after_a_write_is_not_of_it(site: Site, bench: Bench) -> None:
    before = read(browser_of(site.manager))
    with in_workshop(site.workshop.pk):
        bench.write(None, {**bench.setpoints, "FL": 124})
        measure(bench, site.technician, 50, 50)
    assert read(browser_of(site.manager)).split("Everybody over time")[0] == before.split("Everybody over time")[0]


def test_one_person_alone_makes_none_and_it_is_said_how_one_is_made(site: Site) -> None:
    with in_workshop(site.workshop.pk):
        alone = Bench.open(site)
        measure(alone, site.technician, 0, 1)
    told = read(browser_of(site.manager))
    assert "No job was measured by two or more people" in told
    assert "one round each, in one job" in told


def test_jobs_that_do_not_fit_together_are_told(site: Site, bench: Bench, other: Person) -> None:
    with in_workshop(site.workshop.pk):
        second = Bench.open(site)
        measure(second, other, 0, 1)
        measure(second, site.person("technician"), 0, 1)
    told = read(browser_of(site.manager), f"?job={bench.job.pk}&job={second.job.pk}")
    assert "These jobs make no study" in told


@pytest.mark.parametrize("query", ["?job=nonsense", "?job=", "?job=%00", "?job=01234567-89ab-7def-8123-456789abcdef"])
def test_what_is_no_job_is_passed_over(site: Site, bench: Bench, query: str) -> None:
    assert "Measurement together" not in read(browser_of(site.manager), query)


def test_everybodys_months_stand_with_their_range(site: Site, bench: Bench) -> None:
    told = read(browser_of(site.manager)).split("Everybody over time")[1]
    # Four pairs 1 mm apart: s² = 0.5 mm², 4 degrees of freedom; χ² is 11.143 at 97.5 % and 0.4844 at 2.5 % (tables).
    assert f"4 0.71 {(0.5 * 4 / 11.143) ** 0.5:.2f} – {(0.5 * 4 / 0.4844) ** 0.5:.2f} 0" in told


def test_contacts_of_operators_do_not_see_it(site: Site, bench: Bench) -> None:
    contact = site.person("operator_contact", operator=bench.vehicle.operator_id)
    assert browser_of(contact).get(PATH).status_code == 403
