"""The list of vehicles: found by VIN or registration, filtered, sorted, in parts."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from fleet import services
from fleet.models import Vehicle
from fleet.tenancy import in_workshop
from tests.factories import Site
from tests.fleet.signin.browsers import browser_of
from tests.reports import jobs

from .conftest import AtWork

QUERIES = 16


def listed(browser: Client, **query: Any) -> list[str]:
    """VINs in their order."""
    answer = browser.get("/vehicles/", query)
    assert answer.status_code == 200, answer.content
    return re.findall(r"<code>([A-Z0-9]{17})</code>", answer.content.decode())


def test_those_last_worked_on_come_first_with_their_job(manager: Client, at_work: AtWork, site: Site) -> None:
    never = site.vehicle()
    assert listed(manager) == [at_work.open.vehicle.vin, at_work.done.vehicle.vin, never.vin]
    page = manager.get("/vehicles/").content.decode()
    assert "signed off" in page
    assert f'href="/jobs/{at_work.done.job_id}/"' in page


@pytest.mark.parametrize("typed", ["{registration}", "{vin}", "{last_six}", " {last_six} ", "{small}"])
def test_a_part_of_vin_or_registration_finds_a_vehicle(manager: Client, site: Site, typed: str) -> None:
    vehicle = site.vehicle(registration="ZX 990 QP")
    site.vehicle()
    vin = vehicle.vin
    text = typed.format(registration="990 qp", vin=vin, last_six=vin[-6:], small=vin.lower())
    assert listed(manager, q=text) == [vin]


def test_filters_and_orders(manager: Client, at_work: AtWork, site: Site) -> None:
    never = site.vehicle(registration="AA 1")
    done, open_ = at_work.done.vehicle, at_work.open.vehicle
    assert listed(manager, work="open") == [open_.vin]
    assert listed(manager, work="none") == [never.vin]
    assert listed(manager, operator=done.operator_id) == [done.vin]
    assert listed(manager, model=done.vehicle_model_id) == [done.vin]
    assert listed(manager, sort="registration")[0] == never.vin
    assert listed(manager, sort="vin") == sorted(each.vin for each in (never, done, open_))
    assert listed(manager, sort="newest") == [never.vin, open_.vin, done.vin]


def test_a_filter_that_cannot_be_read_is_said_and_stays(manager: Client, at_work: AtWork) -> None:
    answer = manager.get("/vehicles/", {"operator": "nobody", "q": "4711"})
    assert answer.status_code == 422
    assert "data-error-summary" in answer.content.decode()
    assert 'value="4711"' in answer.content.decode()


def test_nothing_found_and_nothing_there_are_told_apart(manager: Client, site: Site) -> None:
    assert "No vehicle is on record yet." in manager.get("/vehicles/").content.decode()
    site.vehicle()
    assert "No vehicle fits." in manager.get("/vehicles/", {"q": "nowhere"}).content.decode()


def test_parts_keep_the_filter_and_cost_the_same(manager: Client, site: Site) -> None:
    model, operator = site.specification().vehicle_model, site.operator()
    for number in range(3):
        site.vehicle(vehicle_model=model, operator=operator, registration=f"QQ {number}")
    listed(manager)  # the session notes its use
    with CaptureQueriesContext(connection) as few:
        listed(manager, q="QQ")
    for number in range(50):
        site.vehicle(vehicle_model=model, operator=operator, registration=f"QQ {number + 100}")
    with CaptureQueriesContext(connection) as many:
        first = listed(manager, q="QQ", sort="registration")
    assert len(first) == 50
    assert len(many) == len(few) <= QUERIES
    page = manager.get("/vehicles/", {"q": "QQ", "sort": "registration"}).content.decode()
    assert 'href="?q=QQ&amp;sort=registration&amp;page=2" rel="next"' in page
    assert "1 to 50 of 53" in page
    rest = listed(manager, q="QQ", sort="registration", page="2")
    assert len(rest) == 3
    assert not set(first) & set(rest)
    assert listed(manager, q="QQ", sort="registration", page="far") == first


def test_a_contact_finds_nothing_by_the_registration_of_a_vehicle_that_is_no_longer_theirs(
    at_work: AtWork, site: Site
) -> None:
    vehicle = at_work.done.vehicle
    browser = browser_of(at_work.contact)
    assert listed(browser, q=vehicle.registration) == [vehicle.vin]
    with in_workshop(site.workshop.pk):
        services.vehicle_update(
            actor=site.manager.actor(),
            vehicle_id=vehicle.pk,
            expected_versions=[vehicle.version],
            changes={"operator": site.operator().pk},
        )
    assert listed(browser, q=vehicle.registration) == []
    assert listed(browser) == [vehicle.vin]
    page = browser.get("/vehicles/").content.decode()
    assert vehicle.registration not in page
    assert 'name="operator"' not in page


def test_one_that_is_known_outside_or_not_completed_says_so_in_a_word_and_is_found_by_it(
    manager: Client, site: Site
) -> None:
    bench = jobs.Bench.at(site)
    bench.receive()
    bench.end("The lift is out of order.")
    fine = site.vehicle()
    page = manager.get("/vehicles/").content.decode()
    row = page[page.index(f"/vehicles/{bench.vehicle.vin}/") :].partition("</tr>")[0]
    assert ">Adjustment not completed<" in row
    assert page.count(">Adjustment not completed<") == 1
    assert listed(manager, work="known") == [bench.vehicle.vin]
    assert fine.vin in listed(manager)


def test_a_contact_is_told_nothing_of_one_that_is_no_longer_theirs(site: Site) -> None:
    bench = jobs.Bench.at(site)
    bench.receive()
    bench.end("The lift is out of order.")
    contact = browser_of(site.person("operator_contact", operator=bench.vehicle.operator_id))
    assert ">Adjustment not completed<" in contact.get("/vehicles/").content.decode()
    with in_workshop(site.workshop.pk):
        services.vehicle_update(
            actor=site.manager.actor(),
            vehicle_id=bench.vehicle.pk,
            expected_versions=[Vehicle.objects.get(pk=bench.vehicle.pk).version],
            changes={"operator": site.operator().pk},
        )
    assert ">Adjustment not completed<" not in contact.get("/vehicles/").content.decode()
    assert listed(contact, work="known") == []
