"""Browsers in which people have signed in, and every page of the set-up with what it shows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal

import pytest
from django.test import Client

from fleet.models import Bay, Instrument, Operator, Specification, Vehicle, VehicleModel
from tests.factories import Person, Site
from tests.fleet.signin.browsers import browser_of


@dataclass(frozen=True)
class Furnished:
    """A workshop with one of everything."""

    site: Site
    operator: Operator
    vehicle_model: VehicleModel
    specification: Specification
    instrument: Instrument
    bay: Bay
    vehicle: Vehicle
    program: Person

    def pages(self) -> dict[str, str]:
        """Every page of the set-up with who may at least open it: everybody who reads, who works, or a manager."""
        model, vin = f"/vehicle-models/{self.vehicle_model.pk}/", self.vehicle.vin
        instrument = f"/instruments/{self.instrument.pk}/"
        return {
            "/first-steps/": "manager",
            "/settings/": "manager",
            "/people/": "manager",
            "/people/new/": "manager",
            f"/people/{self.site.technician.membership.pk}/": "manager",
            f"/people/{self.program.membership.pk}/tokens/": "manager",
            "/operators/": "reader",
            "/operators/new/": "manager",
            f"/operators/{self.operator.pk}/": "manager",
            "/bays/": "reader",
            "/bays/new/": "manager",
            f"/bays/{self.bay.pk}/": "manager",
            "/instruments/": "reader",
            "/instruments/new/": "manager",
            instrument: "reader",
            f"{instrument}calibration/": "manager",
            f"{instrument}withdrawal/": "manager",
            "/vehicle-models/": "reader",
            "/vehicle-models/new/": "manager",
            model: "reader",
            f"{model}change/": "manager",
            f"{model}specifications/new/": "manager",
            f"{model}specifications/1/": "reader",
            f"{model}specifications/comparison/?earlier=1&later=2": "reader",
            "/vehicles/new/": "worker",
            "/vehicles/labels/": "reader",
            f"/vehicles/{vin}/change/": "worker",
            f"/vehicles/{vin}/vin-correction/": "manager",
            f"/vehicles/{vin}/fitments/new/": "worker",
            f"/vehicles/{vin}/events/new/": "worker",
        }


def furnish(site: Site) -> Furnished:
    operator = site.operator()
    specification = site.specification()
    site.specification(specification.vehicle_model, side_difference_max_mm=7)
    vehicle = site.vehicle(vehicle_model=specification.vehicle_model, operator=operator)
    site.fitment(vehicle)
    return Furnished(
        site=site,
        operator=operator,
        vehicle_model=specification.vehicle_model,
        specification=specification,
        instrument=site.instrument(),
        bay=site.bay(pad_levels_mm={"FL": 0, "FR": Decimal("0.1"), "RL": 0, "RR": Decimal("-12.7")}),
        vehicle=vehicle,
        program=site.person("integrator"),
    )


@pytest.fixture
def furnished(site: Site) -> Furnished:
    return furnish(site)


@pytest.fixture
def manager(site: Site) -> Client:
    return browser_of(site.manager)


@pytest.fixture
def browser_with(site: Site) -> Callable[..., Client]:
    """The browser of somebody with these roles."""

    def browser(*roles: str, **fields: object) -> Client:
        return browser_of(site.person(*roles, **fields))

    return browser
