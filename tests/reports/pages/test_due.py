"""What is due, as pages show it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from calibration.models import DriftSeries
from calibration.rules.drift_course import day_of
from fleet.looks import dates
from fleet.models import Vehicle
from fleet.tenancy import in_workshop
from tests.factories import Site
from tests.fleet.signin.browsers import browser_of
from tests.reports import drifting, jobs


@pytest.fixture
def vehicles(site: Site, perform_all: Callable[[Site], list[str]]) -> tuple[Vehicle, Vehicle]:
    """One overdue, the other's check is months away: by the calendar, every half year."""
    late, early = site.vehicle(), site.vehicle(operator=site.operator())
    drifting.checked(site, late, days_ago=300)
    drifting.checked(site, early, days_ago=3)
    perform_all(site)
    return late, early


def text(answer: Any) -> str:
    assert answer.status_code == 200
    return str(answer.content.decode())


def test_the_earliest_comes_first_and_what_is_overdue_says_so(
    site: Site, manager: Client, vehicles: tuple[Vehicle, Vehicle]
) -> None:
    shown = text(manager.get("/due/"))
    late, early = (shown.index(f"/vehicles/{each.vin}/") for each in vehicles)
    assert late < shown.index(">overdue<") < early < shown.index("later, on ")


def days_away(site: Site, vehicle: Vehicle, days: int) -> date:
    """Have its check due in so many days; gives the day."""
    due_at = timezone.now() + timedelta(days=days)
    with in_workshop(site.workshop.pk):
        DriftSeries.objects.filter(vehicle=vehicle).update(due_day=day_of(due_at))
    return due_at.date()


@pytest.mark.parametrize(
    ("days", "word"), [(-1, ">overdue<"), (1, ">due<"), (13, ">due<"), (15, "later, on "), (150, "later, on ")]
)
def test_due_is_what_is_due_within_two_weeks_and_the_rest_is_later(
    site: Site, manager: Client, perform_all: Callable[[Site], list[str]], days: int, word: str
) -> None:
    vehicle = site.vehicle()
    drifting.checked(site, vehicle, days_ago=3)
    perform_all(site)
    due_on = dates.day(days_away(site, vehicle, days))
    shown = text(manager.get("/due/"))
    card = shown[shown.index(f"/vehicles/{vehicle.vin}/") :].partition("</li>")[0]
    assert word in card
    assert due_on in card
    assert sum(each in card for each in (">overdue<", ">due<", "later, on ")) == 1


@pytest.mark.parametrize(("days", "word"), [(-3, ">overdue<"), (3, ">due<"), (60, "later, on ")])
def test_so_are_calibrations(site: Site, manager: Client, days: int, word: str) -> None:
    day = timezone.now().date()
    site.instrument(serial="T-44", calibrated_on=day - timedelta(90), calibration_due_on=day + timedelta(days))
    shown = text(manager.get("/due/"))
    card = shown[shown.index("T-44") :].partition("</li>")[0]
    assert word in card
    assert sum(each in card for each in (">overdue<", ">due<", "later, on ")) == 1


def test_in_german_too(
    site: Site, manager: Client, vehicles: tuple[Vehicle, Vehicle], perform_all: Callable[[Site], list[str]]
) -> None:
    shown = str(manager.get("/due/", headers={"accept-language": "de"}).content.decode())
    assert "später, am " in shown
    assert ">fällig<" not in shown


def test_a_contact_sees_their_operators_vehicles_and_no_instruments(
    site: Site, vehicles: tuple[Vehicle, Vehicle]
) -> None:
    contact = site.person("operator_contact", operator=vehicles[1].operator_id)
    shown = text(browser_of(contact).get("/due/"))
    assert vehicles[1].vin in shown
    assert vehicles[0].vin not in shown
    assert "Calibrations" not in shown


def test_today_names_overdue_instruments(site: Site, manager: Client) -> None:
    told = "The calibration of one instrument is overdue"
    assert told not in text(manager.get("/"))
    day = timezone.now().date()
    site.instrument(
        serial="T-LATE", calibrated_on=day - timedelta(days=400), calibration_due_on=day - timedelta(days=3)
    )
    assert told in text(manager.get("/"))
    assert "T-LATE" in text(manager.get("/due/"))


def test_what_is_known_outside_comes_before_what_is_overdue_and_says_what(
    site: Site, manager: Client, vehicles: tuple[Vehicle, Vehicle], perform_all: Callable[[Site], list[str]]
) -> None:
    low = site.vehicle(registration="ZZ LOW")
    drifting.checked(site, low, days_ago=2, FL=470)
    perform_all(site)
    shown = text(manager.get("/due/"))
    assert shown.index(">Outside tolerance<") < shown.index(f"/vehicles/{vehicles[0].vin}/")
    assert shown.index(f"/vehicles/{low.vin}/") < shown.index("16.0 mm too low") < shown.index(">overdue<")
    assert "Next height check by interval" in shown
    assert shown.count(f"/vehicles/{low.vin}/") == 1


def test_one_that_is_known_without_any_check_due_is_there_too(site: Site, manager: Client) -> None:
    bench = jobs.Bench.at(site)
    bench.receive()
    bench.end("The lift is out of order.")
    shown = text(manager.get("/due/"))
    assert bench.vehicle.vin in shown
    assert ">Adjustment not completed<" in shown


def test_kilometres_are_grouped(site: Site, manager: Client, perform_all: Callable[[Site], list[str]]) -> None:
    vehicle = site.vehicle()
    drifting.checked(site, vehicle, days_ago=40, odometer_km=30_000)
    drifting.checked(site, vehicle, days_ago=10, odometer_km=45_000)
    perform_all(site)
    assert "at 65\u202f000 km, reached about then" in text(manager.get("/due/"))
    assert "The next height check is due at 65\u202f000 km, reached about" in text(
        manager.get(f"/vehicles/{vehicle.vin}/")
    )


def test_a_vehicles_own_page_says_that_its_check_is_overdue(manager: Client, vehicles: tuple[Vehicle, Vehicle]) -> None:
    late, early = (text(manager.get(f"/vehicles/{each.vin}/")) for each in vehicles)
    assert "The next height check is due on" in late
    assert ">overdue<" in late
    assert ">overdue<" not in early
