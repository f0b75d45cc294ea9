"""What happens to a vehicle besides its jobs: tyres fitted, parts replaced. Facts are stored with findings."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, datetime
from decimal import Decimal
from typing import Any, Final
from uuid import UUID

from django.utils.translation import gettext_lazy as _

from fleet import ledger, outbox
from fleet.actor import CLOCK_TOLERANCE, Actor
from fleet.days import require_not_to_come
from fleet.errors import Invalid
from fleet.fitments import derived_tyres, tyre_findings, unknown_capacities
from fleet.models import Fitment, ServiceEvent, Vehicle
from fleet.numbers import json_numbers
from fleet.permissions import Permission, require
from fleet.selectors.vehicle_models import specification_in_force

EVENT_KIND: Final = "fleet.service_event_recorded"
"""Of the outbox: whoever follows vehicles takes the event into account."""

ODOMETER_KIND: Final = "fleet.odometer_recorded"
"""Of the outbox: whoever estimates how far a vehicle goes takes it into account."""

OpenJobFinder = Callable[[UUID], datetime | None]
_open_job_finder: list[OpenJobFinder] = []


def register_open_job_finder(function: OpenJobFinder) -> None:
    """Say who knows since when a vehicle (its id) has an open job; None where it has none."""
    _open_job_finder[:] = [function]


def fitment_record(
    *,
    actor: Actor,
    record_id: UUID,
    vehicle: Vehicle,
    fitted_on: date,
    tyres: Mapping[str, Mapping[str, Any]],
    odometer_km: Decimal | None = None,
) -> Fitment:
    """Record the tyres of all four corners, with what follows from their size and load index."""
    require(actor, Permission.RECORD_FACTS)
    # Tyres that are yet to be fitted would hide those on the vehicle.
    refusal = _("Fitted on a day that is yet to come. Record tyres once they are on the vehicle.")
    require_not_to_come(fitted_on, actor.now, "/fitted_on", "in_the_future", refusal)
    derived = derived_tyres(tyres)
    specification = specification_in_force(vehicle.vehicle_model_id, actor.now)
    fitment = Fitment.objects.create(
        id=record_id,
        vehicle=vehicle,
        fitted_on=fitted_on,
        odometer_km=odometer_km,
        tyres=json_numbers(derived),
        specification=specification,
        findings=[
            *unknown_capacities(derived),
            *(tyre_findings(derived, specification.content) if specification else []),
        ],
        recorded_at=actor.now,
        recorded_by=actor.membership_id,
    )
    ledger.append(actor, "tyres_fitted", fitment, vehicle=vehicle)
    if odometer_km is not None:
        outbox.append(actor, ODOMETER_KIND, {"vehicle": str(vehicle.pk)})
    return fitment


def event_record(
    *,
    actor: Actor,
    record_id: UUID,
    vehicle: Vehicle,
    kind: str,
    happened_at: datetime,
    corner: str = "",
    note: str = "",
) -> ServiceEvent:
    """Record that something was replaced, repaired or happened; the time noted is put right by the tablet's offset."""
    require(actor, Permission.RECORD_FACTS)
    _require_corner_fits(kind, corner)
    happened_at += actor.clock_offset
    event = ServiceEvent.objects.create(
        id=record_id,
        vehicle=vehicle,
        kind=kind,
        corner=corner,
        happened_at=happened_at,
        note=note,
        findings=clock_findings(vehicle, happened_at, actor.now),
        recorded_at=actor.now,
        recorded_by=actor.membership_id,
    )
    ledger.append(actor, "service_event_recorded", event, vehicle=vehicle)
    outbox.append(actor, EVENT_KIND, {"vehicle": str(vehicle.pk)})
    return event


def clock_findings(vehicle: Vehicle, happened_at: datetime, now: datetime) -> list[dict[str, str]]:
    """`clock_wrong` for a time in the future, and during a job for one before the job opened."""
    opened_at = _open_job_finder[0](vehicle.pk) if _open_job_finder else None
    if happened_at > now + CLOCK_TOLERANCE:
        detail = _("The time noted is later than the server's. Check the clock of the device.")
    elif opened_at is not None and happened_at < opened_at - CLOCK_TOLERANCE:
        detail = _(
            "The time noted lies before the open job, so this does not count as work done in it. Was it done in the "
            "job, then check the clock of the device and record it again with the right time."
        )
    else:
        return []
    return [{"code": "clock_wrong", "severity": "review", "detail": str(detail)}]


def _require_corner_fits(kind: str, corner: str) -> None:
    if kind in ServiceEvent.EVENTS_OF_ONE_CORNER and not corner:
        detail = _("Say at which corner: FL, FR, RL or RR.")
        raise Invalid.at("/corner", "corner_required", detail)
    if kind in ServiceEvent.EVENTS_OF_NO_CORNER and corner:
        detail = _("This concerns the whole vehicle; leave the corner out.")
        raise Invalid.at("/corner", "corner_not_applicable", detail)
