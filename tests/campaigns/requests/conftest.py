"""A committed workshop with jobs in several states, and the application on the test database."""

from __future__ import annotations

import os
import subprocess
import sys
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, nullcontext, suppress
from dataclasses import dataclass
from decimal import Decimal
from functools import partial
from io import BytesIO
from typing import Any

import pytest
import schemathesis
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from django.core.wsgi import get_wsgi_application
from django.db import connections
from django.db.models import Case, Q, When
from django.utils import timezone
from PIL import Image
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
from calibration.services.height_checks import check_reading_strike, height_check_record
from calibration.services.photos import check_photo_add, photo_add
from deploy.embedded import launch
from deploy.embedded.folder import CHECKOUT
from deploy.embedded.options import Options, parse
from deploy.embedded.process import wait_until
from fleet import outbox, services
from fleet.actor import Actor
from fleet.api.problem_handlers import ReadableRequests
from fleet.checkpoint_keys import origin_of
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
from fleet.signed_heads import Head, signed
from fleet.tenancy import in_workshop
from reports.models import ArchiveIntake, Certificate, DriftAlert, Export, Import, Webhook, WebhookDelivery
from reports.services.alerts import vehicle_evaluate
from reports.services.exports import export_request
from reports.services.imports import import_begin, import_file_keep
from reports.services.webhook_deliveries import event_tell
from reports.services.webhooks import webhook_add
from tests.calibration.bench import TRUE_HEIGHTS, Bench
from tests.campaigns.requests.real_records import Record, Records
from tests.deploy.conftest import free_port
from tests.factories import Site, make_site
from tests.reports.imports import check_row, csv_of

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
SERVER_PATIENCE_S = 30.0


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
    for workshop_id, item_id in outbox.due():
        if workshop_id == site.workshop.pk:
            outbox.perform(workshop_id, item_id)
    shop = Shop(site)
    shop.tablet_token()
    return shop


@pytest.fixture(scope="module")
def application() -> Callable[..., Any]:
    served: Callable[..., Any] = ReadableRequests(get_wsgi_application())

    def answer(environ: dict[str, Any], start_response: Any) -> list[bytes]:
        """Read to the end and close, as a server does when it has sent everything."""
        body = served(environ, start_response)
        with closing(body) if hasattr(body, "close") else nullcontext():
            return list(body)

    return answer


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


def _settled(site: Site) -> Bench:
    """Nothing is missing but the sign-off."""
    bench = _written(site)
    bench.measure()
    return bench


def _finished(site: Site) -> Bench:
    bench = _settled(site)
    bench.sign_off()
    return bench


def _waiting(site: Site) -> Bench:
    bench = _measured(site)
    bench.enter(RR=bench.setpoints["RR"] + 1)
    return bench


def _ended(site: Site) -> Bench:
    bench = _measured(site)
    bench.event("sensor_replaced", "FL")
    bench.end()
    return bench


def _struck(site: Site) -> Bench:
    bench = _measured(site)
    reading = Reading.objects.filter(round__job=bench.job).first()
    assert reading is not None
    bench.strike(reading.pk, 471, site.manager)
    return bench


def _photographed(site: Site) -> Bench:
    bench = _measured(site)
    measured = Round.objects.get(job=bench.job)
    photo_add(actor=bench.actor(), record_id=new_id(), file=_picture(), round_id=measured.pk)
    return bench


def _picture() -> BytesIO:
    picture = BytesIO()
    Image.new("RGB", (8, 6)).save(picture, format="PNG")
    picture.seek(0)
    return picture


def _checked(site: Site) -> Bench:
    """A height check outside a job, photographed, with a reading that was struck out."""
    bench = _ended(site)
    actor = bench.actor()
    check = height_check_record(
        actor=actor,
        record_id=new_id(),
        vehicle=bench.vehicle,
        taken_at=actor.now,
        loading="as_specified",
        readings=[{"corner": corner, "height_mm": Decimal(height)} for corner, height in TRUE_HEIGHTS.items()],
    )
    check_photo_add(actor=actor, record_id=new_id(), check_id=check.pk, file=_picture())
    reading = check.readings.earliest("ordinal")
    check_reading_strike(
        actor=bench.actor(site.manager),
        record_id=new_id(),
        reading_id=reading.pk,
        reason="Wrong mark.",
        replacement={"height_mm": Decimal(486)},
    )
    _out_of_tolerance(bench)
    return bench


def _out_of_tolerance(bench: Bench) -> None:
    """Another height check, of which an alert tells."""
    actor = bench.actor()
    height_check_record(
        actor=actor,
        record_id=new_id(),
        vehicle=bench.vehicle,
        taken_at=actor.now,
        loading="as_specified",
        readings=[{"corner": corner, "height_mm": Decimal(height) - 60} for corner, height in TRUE_HEIGHTS.items()],
    )
    vehicle_evaluate(actor=actor, vehicle_id=bench.vehicle.pk)


def _parked_overnight(site: Site) -> Bench:
    bench = _measured(site)
    bench.leak_test({"FL": 20})
    return bench


def _overruled(site: Site) -> Bench:
    """Somebody wrote without a proposal, and a manager found it right."""
    bench = _measured(site)
    bench.write(None, {**bench.setpoints, "FL": bench.setpoints["FL"] + 5})
    bench.rule("write_without_proposal")
    return bench


def _reverted(site: Site) -> Bench:
    bench = _settled(site)
    bench.revert()
    return bench


def _conceded(site: Site) -> Bench:
    bench = _measured(site)
    bench.concede()
    bench.decide()
    return bench


def _paused(site: Site) -> Bench:
    bench = _measured(site)
    bench.pause()
    return bench


def _refiled(site: Site) -> Bench:
    bench = _measured(site)
    bench.refile(site.vehicle())
    return bench


def _withdrawn(site: Site) -> Bench:
    """The tape of a job was lost."""
    bench = _measured(site)
    actor = bench.actor(site.manager)
    services.instrument_withdraw(
        actor=actor,
        record_id=new_id(),
        instrument=bench.instrument,
        kind="lost",
        since=actor.now.date(),
        reason="left in the bus",
    )
    return bench


def _told(site: Site) -> Bench:
    """Another program is told of the job."""
    bench = _opened(site)
    actor = bench.actor(site.manager)
    webhook_add(actor=actor, record_id=new_id(), url="https://hooks.example.com/levelbook", events=["job.ended"])
    event_tell(actor, "job.ended", bench.job.pk, {"job": str(bench.job.pk)})
    return bench


def _imported(site: Site) -> Bench:
    """A file of height checks was handed in."""
    bench = _opened(site)
    actor = bench.actor(site.manager)
    content = BytesIO(csv_of([check_row(bench.vehicle.vin)]))
    file = import_file_keep(actor=actor, name="checks.csv", content=content)
    import_begin(actor=actor, record_id=new_id(), file=file, kind="checks", columns={})
    return bench


def _exported(site: Site) -> Bench:
    """The workshop is exported, and an archive was not accepted."""
    bench = _opened(site)
    actor = bench.actor(site.manager)
    export_request(actor=actor, record_id=new_id())
    ArchiveIntake.objects.create(
        handed_in_at=actor.now,
        sha256="a" * 64,
        size=1,
        state="refused",
        finished_at=actor.now,
        refusal={"code": "altered", "detail": "It was altered.", "member": "tables/fleet.bay.csv"},
        source={
            "workshop": "Fell Lane",
            "workshop_id": str(new_id()),
            "made_at": "2026-03-01T08:00:00+00:00",
            "epoch": str(new_id()),
            "origin": "levelbook/workshops/x",
            "counts": {},
        },
    )
    return bench


def _contradicted(site: Site) -> Bench:
    """A tablet holds a head that no known key signed."""
    bench = _opened(site)
    actor = bench.actor(site.manager)
    offer, _code = services.enrolment_offer(actor=actor)
    tablet, _token = services.tablet_enrol(actor=actor, record_id=new_id(), offer_id=offer.pk, device="Bay 3")
    note = signed(Head(origin_of(site.workshop.pk), 9, b"r" * 32, timezone.now(), 0), Ed25519PrivateKey.generate())
    services.heads_compare(actor=Actor.system(site.workshop.pk, timezone.now()), tablet_id=tablet.pk, notes=[note])
    return bench


STORIES = (
    _opened,
    _measured,
    _struck,
    _imported,
    _photographed,
    _checked,
    _parked_overnight,
    _proposed,
    _waiting,
    _conceded,
    _written,
    _overruled,
    _reverted,
    _paused,
    _refiled,
    _withdrawn,
    _told,
    _exported,
    _contradicted,
    _settled,
    _finished,
    _ended,
)


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
