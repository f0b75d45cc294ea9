"""The list of vehicles: found by VIN or registration, filtered, sorted, in parts."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from calibration.rules.drift_course import time_of_day
from fleet import services
from fleet.ids import new_id
from fleet.looks import dates
from fleet.models import Vehicle, Workshop
from fleet.services.vehicle_facts import event_record
from fleet.tenancy import in_workshop
from tests.factories import Site
from tests.fleet.signin.browsers import browser_of
from tests.reports import drifting, jobs

from .conftest import AtWork

QUERIES = 18
Perform = Callable[[Site], list[str]]


def listed(browser: Client, **query: Any) -> list[str]:
    """VINs in their order."""
    answer = browser.get("/vehicles/", query)
    assert answer.status_code == 200, answer.content
    return re.findall(r"<code>([A-Z0-9]{17})</code>", answer.content.decode())


def row_of(browser: Client, vehicle: Vehicle) -> str:
    """The words of its row."""
    page = browser.get("/vehicles/").content.decode()
    row = page[page.index(f"/vehicles/{vehicle.vin}/") :].partition("</tr>")[0].partition(">")[2]
    return " ".join(re.sub("<[^>]*>", " ", row).split())


def shown_day(site: Site, at: datetime) -> str:
    with in_workshop(site.workshop.pk):
        zone = ZoneInfo(Workshop.objects.get().time_zone)
    return dates.day(at.astimezone(zone))


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


class TestMeasuredAndDue:
    def test_each_says_when_it_was_last_measured_with_the_verdict_in_a_word(
        self, manager: Client, site: Site, perform_all: Perform
    ) -> None:
        tape = site.instrument()
        fine, low = site.vehicle(), site.vehicle()
        long_ago = drifting.checked(site, fine, days_ago=40, instrument=tape)
        lately = drifting.checked(site, low, days_ago=3, instrument=tape, FL=472)
        perform_all(site)
        assert f"{shown_day(site, long_ago)} within" in row_of(manager, fine)
        assert f"{shown_day(site, lately)} outside" in row_of(manager, low)
        assert "by interval" in row_of(manager, low)
        assert "by interval" not in row_of(manager, fine)

    def test_the_newest_measurement_counts(self, manager: Client, site: Site, perform_all: Perform) -> None:
        tape, vehicle = site.instrument(), site.vehicle()
        first = drifting.checked(site, vehicle, days_ago=90, instrument=tape, FL=472)
        last = drifting.checked(site, vehicle, days_ago=5, instrument=tape)
        perform_all(site)
        assert f"{shown_day(site, last)} within" in row_of(manager, vehicle)
        assert shown_day(site, first) not in row_of(manager, vehicle)

    def test_each_says_when_its_next_check_is_due_and_whether_that_is_soon_or_past(
        self, manager: Client, site: Site, perform_all: Perform
    ) -> None:
        late, soon, later = site.vehicle(), site.vehicle(), site.vehicle()
        for vehicle, days_ago in ((late, 300), (soon, 175), (later, 3)):
            drifting.checked(site, vehicle, days_ago=days_ago)
        perform_all(site)
        with in_workshop(site.workshop.pk):
            kept = {each.pk: each.drift_series.due_day for each in (late, soon, later)}
        days = {vehicle: dates.day(time_of_day(day)) for vehicle, day in kept.items()}
        assert f"overdue {days[late.pk]}" in row_of(manager, late)
        assert f"due {days[soon.pk]}" in row_of(manager, soon)
        assert days[later.pk] in row_of(manager, later)
        assert "due" not in row_of(manager, later)

    def test_by_distance_it_says_at_how_many_kilometres(
        self, manager: Client, site: Site, perform_all: Perform
    ) -> None:
        vehicle = site.vehicle()
        drifting.checked(site, vehicle, days_ago=40, odometer_km=30_000)
        drifting.checked(site, vehicle, days_ago=10, odometer_km=45_000)
        perform_all(site)
        assert "at 65 000 km, reached about then" in row_of(manager, vehicle)

    def test_one_never_measured_says_that_and_that_no_check_is_known_to_be_due(
        self, manager: Client, site: Site
    ) -> None:
        assert row_of(manager, site.vehicle()).endswith("none judged yet none known –")

    def test_one_whose_specification_asks_for_no_checks_says_that_none_is_known(
        self, manager: Client, site: Site, perform_all: Perform
    ) -> None:
        specification = site.specification(check_interval_months=None, check_interval_km=None)
        vehicle = site.vehicle(vehicle_model=specification.vehicle_model)
        at = drifting.checked(site, vehicle, days_ago=3)
        perform_all(site)
        assert shown_day(site, at) in row_of(manager, vehicle)
        assert "none known" in row_of(manager, vehicle)

    @pytest.mark.parametrize(
        ("kind", "corner", "told"),
        [
            ("spring_replaced", "FL", "{day} not judged"),
            ("control_unit_replaced", "", "not since work was done none known"),
        ],
    )
    def test_work_done_since_leaves_no_verdict(
        self, manager: Client, site: Site, perform_all: Perform, kind: str, corner: str, told: str
    ) -> None:
        vehicle = site.vehicle()
        at = drifting.checked(site, vehicle, days_ago=3)
        with in_workshop(site.workshop.pk):
            event_record(
                actor=site.manager.actor(),
                record_id=new_id(),
                vehicle=vehicle,
                kind=kind,
                corner=corner,
                happened_at=timezone.now(),
            )
        perform_all(site)
        assert told.format(day=shown_day(site, at)) in row_of(manager, vehicle)

    def test_a_contact_is_told_of_neither_once_it_is_another_operators(self, site: Site, perform_all: Perform) -> None:
        vehicle = site.vehicle()
        contact = browser_of(site.person("operator_contact", operator=vehicle.operator_id))
        at = drifting.checked(site, vehicle, days_ago=3)
        perform_all(site)
        assert shown_day(site, at) in row_of(contact, vehicle)
        with in_workshop(site.workshop.pk):
            services.vehicle_update(
                actor=site.manager.actor(),
                vehicle_id=vehicle.pk,
                expected_versions=[Vehicle.objects.get(pk=vehicle.pk).version],
                changes={"operator": site.operator().pk},
            )
        assert shown_day(site, at) not in row_of(contact, vehicle)
        assert row_of(contact, vehicle).endswith("– – –")

    def test_many_that_were_measured_cost_the_queries_of_one(
        self, manager: Client, site: Site, perform_all: Perform
    ) -> None:
        counts = []
        for more in (1, 4):
            for _time in range(more):
                drifting.checked(site, site.vehicle(), days_ago=3)
            perform_all(site)
            listed(manager)
            with CaptureQueriesContext(connection) as seen:
                listed(manager)
            counts.append(len(seen))
        assert counts[0] == counts[1] <= QUERIES
