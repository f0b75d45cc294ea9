"""A committed workshop with jobs in several states, and the application on the test database."""

from __future__ import annotations

import os
import subprocess
import sys
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, nullcontext, suppress
from dataclasses import dataclass
from functools import partial
from typing import Any

import pytest
import schemathesis
from django.core.wsgi import get_wsgi_application
from django.db import connection, connections
from django.db.models import Case, Q, When
from pytest_django import DjangoDbBlocker
from rest_framework.test import APIClient

from calibration.models import (
    Approval,
    Concession,
    Finding,
    HeightCheck,
    HeightCheckPhoto,
    HeightCheckReading,
    Job,
    LeakTest,
    Photo,
    Proposal,
    Readiness,
    Reading,
    Reversion,
    Round,
    Ruling,
    Write,
)
from deploy.embedded import launch
from deploy.embedded.folder import CHECKOUT
from deploy.embedded.options import Options, parse
from deploy.embedded.process import wait_until
from fleet import services
from fleet.api.problem_handlers import ReadableRequests
from fleet.ids import new_id
from fleet.models import (
    AccessToken,
    Bay,
    Checkpoint,
    Fitment,
    HeadConflict,
    Instrument,
    InstrumentCalibration,
    InstrumentWithdrawal,
    Invitation,
    Membership,
    Operator,
    OutboxItem,
    ServiceEvent,
    Specification,
    Tablet,
    Vehicle,
    VehicleModel,
)
from fleet.tenancy import in_workshop
from reports.models import ArchiveIntake, Certificate, DriftAlert, Export, Import, Webhook, WebhookDelivery
from tests.campaigns.requests.real_records import Record, Records
from tests.campaigns.requests.stories import STORIES
from tests.factories import Site, make_site
from tests.ports import free_port
from tests.reports.workshops import perform_due

SCHEMA_ADDRESS = "/api/v1/schema/"
TABLES: dict[str, tuple[type[Any], str, str | None]] = {
    "alerts": (DriftAlert, "pk", None),
    "approvals": (Approval, "pk", None),
    "bays": (Bay, "pk", None),
    "calibrations": (InstrumentCalibration, "pk", "instrument"),
    "certificates": (Certificate, "number", None),
    "check-photos": (HeightCheckPhoto, "pk", None),
    "check-readings": (HeightCheckReading, "pk", None),
    "checkpoints": (Checkpoint, "size", None),
    "archives": (ArchiveIntake, "pk", None),
    "checks": (HeightCheck, "pk", "vehicle__vin"),
    "concession": (Concession, "pk", "job"),
    "deliveries": (WebhookDelivery, "pk", "webhook"),
    "exports": (Export, "pk", None),
    "events": (ServiceEvent, "pk", "vehicle__vin"),
    "head-conflicts": (HeadConflict, "pk", None),
    "findings": (Finding, "pk", "job"),
    "fitments": (Fitment, "pk", "vehicle__vin"),
    "imports": (Import, "pk", None),
    "instruments": (Instrument, "pk", None),
    "jobs": (Job, "pk", None),
    "leak-tests": (LeakTest, "pk", "job"),
    "operators": (Operator, "pk", None),
    "parked-work": (OutboxItem, "pk", None),
    "people": (Membership, "pk", None),
    "photos": (Photo, "pk", None),
    "proposals": (Proposal, "pk", "job"),
    "readiness": (Readiness, "pk", "job"),
    "readings": (Reading, "pk", None),
    "reversion": (Reversion, "pk", "job"),
    "rounds": (Round, "pk", "job"),
    "rulings": (Ruling, "pk", "job"),
    "specifications": (Specification, "pk", "vehicle_model"),
    "tablets": (Tablet, "pk", None),
    "tokens": (AccessToken, "pk", None),
    "vehicle-models": (VehicleModel, "pk", None),
    "vehicles": (Vehicle, "vin", None),
    "webhooks": (Webhook, "pk", None),
    "withdrawal": (InstrumentWithdrawal, "pk", "instrument"),
    "writes": (Write, "pk", "job"),
}
"""Table, what addresses call a row, and what it belongs to, by address segment."""
SHOWN: dict[str, Q] = {
    "check-readings": Q(strikes__isnull=False),
    "readings": Q(strikes__isnull=False),
    "parked-work": Q(state=OutboxItem.State.PARKED),
}
"""Rows that some address is only for: they come first."""
INVITATIONS = "invitations"
MOST_RECORDS = 40
SERVER_PATIENCE_S = 240.0


@dataclass(frozen=True)
class Shop:
    """The workshop behind the requests."""

    site: Site

    def new_token(self) -> str:
        return self.site.person("manager", "technician").token

    def tablet_token(self) -> str:
        """Of a tablet, for what only tablets may ask."""
        actor = self.site.technician.actor()
        with in_workshop(self.site.workshop.pk):
            offer, _code = services.enrolment_offer(actor=actor)
            return services.tablet_enrol(actor=actor, record_id=new_id(), offer_id=offer.pk, device="Bay 2")[1]

    def tablet(self) -> APIClient:
        client = APIClient()
        client.credentials(HTTP_AUTHORIZATION=f"Bearer {self.tablet_token()}")
        return client

    def lesser_tokens(self) -> list[str]:
        """Of people who may less than a manager."""
        contact = self.site.person("operator_contact", operator=self.site.operator().pk)
        return [contact.token, *(self.site.person(role).token for role in ("technician", "auditor", "integrator"))]

    def records(self) -> Records:
        return StoredRecords(self.site.workshop.pk)


class StoredRecords(Mapping[str, Sequence[Record]]):
    """What a workshop has, by address segment; each table is read when first asked for."""

    def __init__(self, workshop_id: uuid.UUID) -> None:
        self._workshop_id = workshop_id
        self._read: dict[str, list[Record]] = {}

    def __getitem__(self, segment: str) -> list[Record]:
        if segment not in self._read:
            with in_workshop(self._workshop_id):
                self._read[segment] = _invited() if segment == INVITATIONS else _rows(segment)
        return self._read[segment]

    def __iter__(self) -> Iterator[str]:
        return iter((*TABLES, INVITATIONS))

    def __len__(self) -> int:
        return len(TABLES) + 1


def _rows(segment: str) -> list[Record]:
    model, name, parent = TABLES[segment]
    order = [Case(When(SHOWN[segment], then=0), default=1)] if segment in SHOWN else []
    rows = model.objects.order_by(*order, "pk").values_list(name, parent or name)[:MOST_RECORDS]
    return [Record(str(own), str(other) if parent else None) for own, other in rows]


def _invited() -> list[Record]:
    return [Record(services.invitation_code(each)) for each in Invitation.objects.all()[:MOST_RECORDS]]


@pytest.fixture
def shop(committed_db: None, stocked: Shop) -> Shop:
    """A workshop that the tests of these files share; requests made up at random come last."""
    return stocked


@pytest.fixture(scope="session")
def stocked(django_db_setup: None, django_db_blocker: DjangoDbBlocker) -> Shop:
    with django_db_blocker.unblock():
        try:
            return _stocked()
        finally:
            connections.close_all()


def _stocked() -> Shop:
    site = make_site()
    site.bay()
    vehicle = site.vehicle()
    site.fitment(vehicle)
    _invite(site)
    for story in STORIES:
        with in_workshop(site.workshop.pk):
            story(site)
    perform_due(site.workshop.pk)
    shop = Shop(site)
    shop.tablet_token()
    return shop


@pytest.fixture(scope="module")
def application() -> Iterator[Callable[..., Any]]:
    """The service in this process. It keeps its connection from one request to the next, as in production."""
    served: Callable[..., Any] = ReadableRequests(get_wsgi_application())

    def answer(environ: dict[str, Any], start_response: Any) -> list[bytes]:
        """Read to the end and close, as a server does when it has sent everything."""
        body = served(environ, start_response)
        with closing(body) if hasattr(body, "close") else nullcontext():
            return list(body)

    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(connection.settings_dict, "CONN_MAX_AGE", None)
        yield answer


@pytest.fixture(scope="module")
def described(request: pytest.FixtureRequest) -> Any:
    """The interface by its own description: in this process, or where asked for behind the real web server."""
    if os.environ.get("LEVELBOOK_REQUESTS_OVER") == "http":
        return schemathesis.openapi.from_url(request.getfixturevalue("web_server") + SCHEMA_ADDRESS)
    return schemathesis.openapi.from_wsgi(SCHEMA_ADDRESS, request.getfixturevalue("application"))


@pytest.fixture(scope="module")
def web_server(database_environment: dict[str, str]) -> Iterator[str]:
    """The address of a web server that runs as `deploy/start` runs it, on the test database."""
    options = parse(["--port", str(free_port())])
    environment = os.environ | database_environment
    allowed = {name: value for name, value in environment.items() if name not in launch.PRIVILEGED_VARIABLES}
    process = subprocess.Popen([sys.executable, *launch._web_arguments(options, None)], cwd=CHECKOUT, env=allowed)
    try:
        assert wait_until(partial(_answers, options), SERVER_PATIENCE_S)
        yield options.address
    finally:
        process.terminate()
        process.wait(SERVER_PATIENCE_S)


def _answers(options: Options) -> bool:
    with suppress(OSError):
        return launch._answers(options, options.port, "/healthz", is_https=False)
    return False


def _invite(site: Site) -> None:
    """Somebody who has not accepted yet."""
    with in_workshop(site.workshop.pk):
        services.person_invite(
            actor=site.manager.actor(),
            record_id=new_id(),
            email=f"invited-{new_id().hex[-8:]}@example.com",
            name="Invited",
            roles=["technician"],
        )
