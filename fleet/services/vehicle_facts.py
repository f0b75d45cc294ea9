"""What happens to a vehicle besides its jobs: tyres fitted, parts replaced. Facts are stored with findings."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any, Final
from uuid import UUID

from django.utils.translation import gettext_lazy as _

from fleet import ledger
from fleet.actor import Actor
from fleet.errors import Invalid
from fleet.fitments import derived_tyres, tyre_findings
from fleet.models import Fitment, ServiceEvent, Vehicle
from fleet.numbers import json_numbers
from fleet.permissions import Permission, require
from fleet.selectors.vehicle_models import specification_in_force

CLOCK_TOLERANCE: Final = timedelta(minutes=5)


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
    derived = derived_tyres(tyres)
    specification = specification_in_force(vehicle.vehicle_model_id, actor.now)
    fitment = Fitment.objects.create(
        id=record_id,
        vehicle=vehicle,
        fitted_on=fitted_on,
        odometer_km=odometer_km,
        tyres=json_numbers(derived),
        specification=specification,
        findings=tyre_findings(derived, specification.content) if specification else [],
        recorded_at=actor.now,
        recorded_by=actor.membership_id,
    )
    ledger.append(actor, "tyres_fitted", fitment, vehicle=vehicle)
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
    """Record that something was replaced, repaired or happened."""
    require(actor, Permission.RECORD_FACTS)
    _require_corner_fits(kind, corner)
    event = ServiceEvent.objects.create(
        id=record_id,
        vehicle=vehicle,
        kind=kind,
        corner=corner,
        happened_at=happened_at,
        note=note,
        findings=clock_findings(actor, happened_at),
        recorded_at=actor.now,
        recorded_by=actor.membership_id,
    )
    ledger.append(actor, "service_event_recorded", event, vehicle=vehicle)
    return event


def clock_findings(actor: Actor, noted_at: datetime) -> list[dict[str, str]]:
    """`clock_wrong` where a noted time, corrected by the tablet's offset, lies in the future."""
    if noted_at + actor.clock_offset <= actor.now + CLOCK_TOLERANCE:
        return []
    detail = _("The time noted is later than the server's. Check the clock of the device.")
    return [{"code": "clock_wrong", "severity": "review", "detail": str(detail)}]


def _require_corner_fits(kind: str, corner: str) -> None:
    if kind in ServiceEvent.EVENTS_OF_ONE_CORNER and not corner:
        detail = _("Say at which corner: FL, FR, RL or RR.")
        raise Invalid.at("/corner", "corner_required", detail)
    if kind in ServiceEvent.EVENTS_OF_NO_CORNER and corner:
        detail = _("This concerns the whole vehicle; leave the corner out.")
        raise Invalid.at("/corner", "corner_not_applicable", detail)
