"""A committed workshop with jobs in several states, and the WSGI application on the test database."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import pytest
from django.core.wsgi import get_wsgi_application

from calibration.models import Approval, Concession, Finding, Job, Photo, Proposal, Reading, Round, Ruling, Write
from fleet import outbox
from fleet.api.problem_handlers import ReadableRequests
from fleet.models import (
    AccessToken,
    Bay,
    Fitment,
    Instrument,
    InstrumentCalibration,
    Membership,
    Operator,
    ServiceEvent,
    Specification,
    Vehicle,
    VehicleModel,
)
from fleet.tenancy import in_workshop
from reports.models import Certificate
from tests.calibration.bench import Bench
from tests.factories import Site, make_site

TABLES: dict[str, tuple[type[Any], str]] = {
    "approvals": (Approval, "pk"),
    "bays": (Bay, "pk"),
    "calibrations": (InstrumentCalibration, "pk"),
    "certificates": (Certificate, "number"),
    "concession": (Concession, "pk"),
    "events": (ServiceEvent, "pk"),
    "findings": (Finding, "pk"),
    "fitments": (Fitment, "pk"),
    "instruments": (Instrument, "pk"),
    "jobs": (Job, "pk"),
    "operators": (Operator, "pk"),
    "people": (Membership, "pk"),
    "photos": (Photo, "pk"),
    "proposals": (Proposal, "pk"),
    "readings": (Reading, "pk"),
    "rounds": (Round, "pk"),
    "rulings": (Ruling, "pk"),
    "specifications": (Specification, "pk"),
    "tokens": (AccessToken, "pk"),
    "vehicle-models": (VehicleModel, "pk"),
    "vehicles": (Vehicle, "vin"),
    "writes": (Write, "pk"),
}


@dataclass(frozen=True)
class Shop:
    """The workshop behind the requests."""

    site: Site

    def new_token(self) -> str:
        return self.site.person("manager", "technician").token

    def records(self) -> dict[str, list[str]]:
        with in_workshop(self.site.workshop.pk):
            return {
                segment: [str(value) for value in model.objects.order_by("pk").values_list(field, flat=True)[:40]]
                for segment, (model, field) in TABLES.items()
            }


@pytest.fixture
def shop(committed_db: None) -> Shop:
    site = make_site()
    site.bay()
    vehicle = site.vehicle()
    site.fitment(vehicle)
    for story in (_opened, _measured, _proposed, _written, _finished, _waiting, _ended):
        with in_workshop(site.workshop.pk):
            story(site)
    for workshop_id, item_id in outbox.due():
        if workshop_id == site.workshop.pk:
            outbox.perform(workshop_id, item_id)
    return Shop(site)


@pytest.fixture
def application() -> Callable[..., Any]:
    return ReadableRequests(get_wsgi_application())


def _opened(site: Site) -> Bench:
    return Bench.open(site)


def _measured(site: Site) -> Bench:
    bench = _opened(site)
    bench.ready()
    bench.measure({"FL": 470})
    return bench


def _proposed(site: Site) -> Bench:
    bench = _measured(site)
    bench.propose()
    return bench


def _written(site: Site) -> Bench:
    bench = _measured(site)
    bench.write(bench.propose())
    return bench


def _finished(site: Site) -> Bench:
    bench = _written(site)
    bench.measure()
    bench.sign_off()
    return bench


def _waiting(site: Site) -> Bench:
    bench = _measured(site)
    bench.enter(FL=bench.setpoints["FL"] + 15, FR=bench.setpoints["FR"] + 5)
    return bench


def _ended(site: Site) -> Bench:
    bench = _measured(site)
    bench.event("sensor_replaced", "FL")
    bench.end()
    return bench
