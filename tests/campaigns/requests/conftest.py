"""A committed workshop with jobs in several states, and the WSGI application on the test database."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing, nullcontext
from dataclasses import dataclass
from io import BytesIO
from typing import Any

import pytest
from django.core.wsgi import get_wsgi_application
from PIL import Image

from calibration.models import (
    Approval,
    Concession,
    Finding,
    Job,
    Photo,
    Proposal,
    Readiness,
    Reading,
    Reversion,
    Round,
    Ruling,
    Write,
)
from calibration.services.photos import photo_add
from fleet import outbox, services
from fleet.api.problem_handlers import ReadableRequests
from fleet.ids import new_id
from fleet.models import (
    AccessToken,
    Bay,
    Fitment,
    Instrument,
    InstrumentCalibration,
    InstrumentWithdrawal,
    Invitation,
    Membership,
    Operator,
    OutboxItem,
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
    "parked-work": (OutboxItem, "pk"),
    "people": (Membership, "pk"),
    "photos": (Photo, "pk"),
    "proposals": (Proposal, "pk"),
    "readiness": (Readiness, "pk"),
    "readings": (Reading, "pk"),
    "reversion": (Reversion, "pk"),
    "rounds": (Round, "pk"),
    "rulings": (Ruling, "pk"),
    "specifications": (Specification, "pk"),
    "tokens": (AccessToken, "pk"),
    "vehicle-models": (VehicleModel, "pk"),
    "vehicles": (Vehicle, "vin"),
    "withdrawal": (InstrumentWithdrawal, "pk"),
    "writes": (Write, "pk"),
}


@dataclass(frozen=True)
class Shop:
    """The workshop behind the requests."""

    site: Site

    def new_token(self) -> str:
        return self.site.person("manager", "technician").token

    def lesser_tokens(self) -> list[str]:
        """Of people who may less than a manager."""
        contact = self.site.person("operator_contact", operator=self.site.operator().pk)
        return [contact.token, *(self.site.person(role).token for role in ("technician", "auditor", "integrator"))]

    def records(self) -> dict[str, list[str]]:
        with in_workshop(self.site.workshop.pk):
            found = {
                segment: [str(value) for value in model.objects.order_by("pk").values_list(field, flat=True)[:40]]
                for segment, (model, field) in TABLES.items()
            }
            return found | {"invitations": [services.invitation_code(each) for each in Invitation.objects.all()[:40]]}


@pytest.fixture
def shop(committed_db: None) -> Shop:
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
    return Shop(site)


@pytest.fixture
def application() -> Callable[..., Any]:
    served: Callable[..., Any] = ReadableRequests(get_wsgi_application())

    def answer(environ: dict[str, Any], start_response: Any) -> list[bytes]:
        """Read to the end and close, as a server does when it has sent everything."""
        body = served(environ, start_response)
        with closing(body) if hasattr(body, "close") else nullcontext():
            return list(body)

    return answer


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
    picture = BytesIO()
    Image.new("RGB", (8, 6)).save(picture, format="PNG")
    picture.seek(0)
    measured = Round.objects.get(job=bench.job)
    photo_add(actor=bench.actor(), record_id=new_id(), file=picture, round_id=measured.pk)
    return bench


def _overruled(site: Site) -> Bench:
    """Somebody wrote without a proposal, and a manager found it right."""
    bench = _measured(site)
    bench.write(None, {**bench.setpoints, "FL": bench.setpoints["FL"] + 5})
    bench.rule("write_without_proposal")
    return bench


def _reverted(site: Site) -> Bench:
    bench = _written(site)
    bench.measure()
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


STORIES = (
    _opened,
    _measured,
    _struck,
    _photographed,
    _proposed,
    _waiting,
    _conceded,
    _written,
    _overruled,
    _reverted,
    _paused,
    _refiled,
    _withdrawn,
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
