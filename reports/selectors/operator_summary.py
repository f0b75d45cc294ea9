"""An operator's vehicles, a line each: when last measured, where it stands, when due, how it drifts."""

from __future__ import annotations

import math
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal
from zoneinfo import ZoneInfo

from django.db.models import QuerySet

from calibration.metrology.conformity import joint_verdict, verdict
from calibration.metrology.corners import CORNERS, Corner
from calibration.selectors.vehicle_drift import CornerDrift, VehicleDrift, drifts_of
from fleet.actor import Actor
from fleet.errors import NotFound
from fleet.models import Operator, Vehicle
from fleet.selectors.operators import visible_operators

from ..certificate.document import Verdict
from .due import SOON

Stage = Literal["", "due", "overdue"]


@dataclass(frozen=True, slots=True)
class Worst:
    """The corner whose last measurement takes most of its tolerance."""

    corner: Corner
    deviation_mm: float
    expanded_uncertainty_mm: float


@dataclass(frozen=True, slots=True)
class Line:
    """One vehicle; what is not known is None. `verdict` is that of the last measurement of all corners and sides."""

    vin: str
    registration: str
    model: str
    last_on: date | None = None
    verdict: Verdict | None = None
    worst: Worst | None = None
    due_on: date | None = None
    due_at_km: float | None = None
    stage: Stage = ""
    drift: CornerDrift | None = None
    """The corner that is expected outside first, or else moves fastest, of those that are known to move."""


def operator_for(actor: Actor, operator_id: uuid.UUID) -> Operator:
    """One that the actor may see; a contact their own."""
    operator = visible_operators(actor).filter(pk=operator_id).first()
    if operator is None:
        raise NotFound
    return operator


def vehicles_of(operator: Operator) -> QuerySet[Vehicle]:
    """Those that it runs now."""
    return Vehicle.objects.filter(operator=operator).select_related("vehicle_model").order_by("registration", "vin")


def lines_of(vehicles: Sequence[Vehicle], now: datetime, zone: ZoneInfo) -> list[Line]:
    drifts = drifts_of([vehicle.pk for vehicle in vehicles])
    return [_line(vehicle, drifts.get(vehicle.pk), now, zone) for vehicle in vehicles]


def _line(vehicle: Vehicle, drift: VehicleDrift | None, now: datetime, zone: ZoneInfo) -> Line:
    known = (vehicle.vin, vehicle.registration, str(vehicle.vehicle_model))
    if drift is None or not drift.corners:
        return Line(*known)
    measured = [each.measured_at for each in drift.corners if each.measured_at is not None]
    due_at, at_km = drift.due_at, drift.due.at_km
    return Line(
        *known,
        last_on=max(measured).astimezone(zone).date() if measured else None,
        verdict=_verdict(drift),
        worst=_worst(drift),
        due_on=due_at.astimezone(zone).date() if due_at else None,
        due_at_km=at_km if at_km is not None and math.isfinite(at_km) else None,
        stage=_stage(due_at, now),
        drift=_fastest(drift),
    )


def _stage(due_at: datetime | None, now: datetime) -> Stage:
    if due_at is None or due_at > now + SOON:
        return ""
    return "overdue" if due_at <= now else "due"


def _last(drift: VehicleDrift) -> list[tuple[CornerDrift, float, float]]:
    """Each corner with deviation and expanded uncertainty of its last measurement; none where work was done since."""
    states = drift.state.states
    values = zip(drift.corners, states.last_mm.tolist(), states.last_expanded.tolist(), strict=True)
    return [(corner, off, expanded) for corner, off, expanded in values if math.isfinite(off)]


def _verdict(drift: VehicleDrift) -> Verdict | None:
    last = _last(drift)
    if len(last) < len(CORNERS):
        return None
    corners = [verdict(off, expanded, corner.tolerance_mm) for corner, off, expanded in last]
    sides = [verdict(each.difference_mm, each.expanded_uncertainty_mm, each.limit_mm) for each in drift.sides]
    return joint_verdict([*corners, *sides])


def _worst(drift: VehicleDrift) -> Worst | None:
    last = _last(drift)
    if not last:
        return None
    corner, off, expanded = max(last, key=lambda each: abs(each[1]) / each[0].tolerance_mm)
    return Worst(corner.corner, off, expanded)


def _fastest(drift: VehicleDrift) -> CornerDrift | None:
    moving = [each for each in drift.corners if each.is_known_to_move]
    leaving = [each for each in moving if each.expected_outside_on is not None]
    if leaving:
        return min(leaving, key=lambda each: each.expected_outside_on or date.max)
    return max(moving, key=lambda each: abs(each.rate_mm_per_year or 0.0), default=None)
