"""An operator's vehicles, a line each: what is known of it, when last measured, when due, how it drifts."""

from __future__ import annotations

import math
import uuid
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any, Literal
from zoneinfo import ZoneInfo

from django.db.models import QuerySet

from calibration.metrology.corners import Corner
from calibration.selectors.vehicle_drift import CornerDrift, VehicleDrift
from fleet.actor import Actor
from fleet.errors import NotFound
from fleet.models import Operator, Vehicle
from fleet.selectors.operators import visible_operators

from .due import SOON, day_due, is_overdue
from .standing import Standing, standings_of, urgent_first

Stage = Literal["", "due", "overdue"]


@dataclass(frozen=True, slots=True)
class Worst:
    """The corner whose last measurement takes most of its tolerance."""

    corner: Corner
    deviation_mm: float
    expanded_uncertainty_mm: float


@dataclass(frozen=True, slots=True)
class Line:
    """One vehicle; what is not known is None."""

    vin: str
    registration: str
    model: str
    standing: Standing
    last_on: date | None = None
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


def vehicles_of(operator: Operator, actor: Actor) -> QuerySet[Any]:
    """Those that it runs now: what is known to be outside or not done first, then what is due."""
    vehicles = Vehicle.objects.filter(operator=operator).select_related("vehicle_model")
    return urgent_first(vehicles, actor)


def lines_of(vehicles: Sequence[Any], actor: Actor, zone: ZoneInfo) -> list[Line]:
    """A line for each of some that `vehicles_of` found."""
    standings = standings_of(actor, {vehicle.pk: vehicle.known for vehicle in vehicles})
    return [_line(vehicle, standings[vehicle.pk], actor.now, zone) for vehicle in vehicles]


def _line(vehicle: Vehicle, standing: Standing, now: datetime, zone: ZoneInfo) -> Line:
    line = Line(vehicle.vin, vehicle.registration, str(vehicle.vehicle_model), standing)
    drift = standing.drift
    if drift is None or not drift.corners:
        return line
    due_at, at_km = drift.due_at, drift.due.at_km
    return replace(
        line,
        last_on=standing.measured_at.astimezone(zone).date() if standing.measured_at else None,
        worst=_worst(drift),
        due_on=day_due(due_at, zone, by_distance=at_km is not None) if due_at else None,
        due_at_km=at_km if at_km is not None and math.isfinite(at_km) else None,
        stage=_stage(due_at, now, zone, by_distance=at_km is not None),
        drift=_fastest(drift),
    )


def _stage(due_at: datetime | None, now: datetime, zone: ZoneInfo, *, by_distance: bool) -> Stage:
    if due_at is None or due_at > now + SOON:
        return ""
    return "overdue" if is_overdue(due_at, now, zone, by_distance=by_distance) else "due"


def _worst(drift: VehicleDrift) -> Worst | None:
    last = drift.last
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
