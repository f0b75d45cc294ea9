"""A height check entered at the desk: what is kept, what is said, and what is asked again."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.test import Client

from calibration.models import HeightCheck, HeightCheckReading
from fleet.models import Vehicle
from fleet.tenancy import in_workshop
from tests.factories import Site
from tests.fleet.pages.forms import errors_in, form_of, send
from tests.fleet.signin.browsers import browser_of

HEIGHTS = {"heights__FL": "498", "heights__FR": "486", "heights__RL": "504", "heights__RR": "504"}


@pytest.fixture
def vehicle(site: Site) -> Vehicle:
    return site.vehicle()


@pytest.fixture
def manager(site: Site) -> Client:
    return browser_of(site.manager)


def address(vehicle: Vehicle) -> str:
    return f"/vehicles/{vehicle.vin}/checks/new/"


def only_check(site: Site) -> HeightCheck:
    with in_workshop(site.workshop.pk):
        return HeightCheck.objects.select_related("instrument").get()


def follow(browser: Client, answer: Any) -> str:
    return str(browser.get(answer["Location"]).content.decode())


def test_it_is_recorded_with_its_verdict_said(site: Site, vehicle: Vehicle, manager: Client) -> None:
    tape = site.instrument()
    typed = {**HEIGHTS, "instrument": str(tape.pk), "odometer_km": "48210,5", "note": "By telephone."}
    answer = send(manager, address(vehicle), **typed)
    page = follow(manager, answer)

    check = only_check(site)
    assert (check.instrument, float(check.odometer_km or 0), check.note) == (tape, 48210.5, "By telephone.")
    assert check.result["corners"]["FL"]["verdict"] == "outside"
    assert "The height check is recorded: outside tolerance." in page


def test_a_height_far_from_target_is_asked_again_at_its_field(site: Site, vehicle: Vehicle, manager: Client) -> None:
    typed = {**HEIGHTS, "heights__RL": "300"}
    refused = send(manager, address(vehicle), **typed)
    told = errors_in(refused)
    confirmed = send(manager, address(vehicle), **typed, confirmed="on")

    assert refused.status_code == 422
    assert list(told) == ["heights-RL"]
    assert "tick that the heights stand" in told["heights-RL"]
    assert confirmed.status_code == 302
    with in_workshop(site.workshop.pk):
        assert HeightCheckReading.objects.get(corner="RL").confirmed


def test_a_missing_height_keeps_what_was_typed(site: Site, vehicle: Vehicle, manager: Client) -> None:
    refused = send(manager, address(vehicle), **{**HEIGHTS, "heights__RR": ""})

    assert refused.status_code == 422
    assert list(errors_in(refused)) == ["heights-RR"]
    assert form_of(refused).values["heights-FL"] == ["498"]


def test_findings_are_said_on_the_vehicles_page(site: Site, vehicle: Vehicle, manager: Client) -> None:
    day = site.began_at.date()
    tape = site.instrument(calibrated_on=day - timedelta(days=9), calibration_due_on=day - timedelta(days=1))
    answer = send(manager, address(vehicle), **HEIGHTS, instrument=str(tape.pk))

    assert f"Instrument {tape.serial} was measured with after its calibration ran out" in follow(manager, answer)


def test_a_contact_enters_their_own_vehicles_without_the_workshops_instruments(site: Site, vehicle: Vehicle) -> None:
    tape = site.instrument()
    driver = browser_of(site.person("operator_contact", operator=vehicle.operator_id))
    stranger = browser_of(site.person("operator_contact", operator=site.operator().pk))
    auditor = browser_of(site.person("auditor"))
    page = driver.get(address(vehicle)).content.decode()

    assert tape.serial not in page
    assert send(driver, address(vehicle), **HEIGHTS).status_code == 302
    assert only_check(site).instrument is None
    assert stranger.get(address(vehicle)).status_code == 404
    assert auditor.get(address(vehicle)).status_code == 403
    assert Client().get(address(vehicle)).status_code == 302
