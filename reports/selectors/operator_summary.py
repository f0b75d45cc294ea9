"""An operator's vehicles, a line each: what is known of it, when last measured, when due, how it drifts."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import QuerySet

from calibration.metrology.corners import Corner
from calibration.selectors.vehicle_drift import CornerDrift, VehicleDrift
from fleet.actor import Actor
from fleet.errors import NotFound
from fleet.models import Operator, Vehicle
from fleet.selectors.operators import visible_operators

from ..models import Reminder
from .alerts import has_passed
from .due import next_check
from .standing import Standing, standings_of, urgent_first


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
    due_at_km: int | None = None
    stage: Reminder.Stage | None = None
    drift: CornerDrift | None = None
    """Of those that are known to move: one that is outside already, else the one expected outside first, else the
    fastest."""
    drift_has_passed: bool = False
    """That corner's day of leaving its tolerance has passed without a measurement."""


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
    if drift is None or not drift.is_judged:
        return line
    due, fastest = next_check(drift, now, zone), _fastest(drift)
    return replace(
        line,
        last_on=standing.measured_at.astimezone(zone).date() if standing.measured_at else None,
        worst=_worst(drift),
        due_on=due.on if due else None,
        due_at_km=due.at_km if due else None,
        stage=due.stage if due else None,
        drift=fastest,
        drift_has_passed=has_passed(fastest.expected_outside_on, now) if fastest else False,
    )


def _worst(drift: VehicleDrift) -> Worst | None:
    worst = max(drift.last, key=lambda each: abs(each.deviation_mm) / each.tolerance_mm, default=None)
    return None if worst is None else Worst(worst.corner, worst.deviation_mm, worst.expanded_uncertainty_mm)


def _fastest(drift: VehicleDrift) -> CornerDrift | None:
    moving = [each for each in drift.corners if each.is_known_to_move]
    return min(moving, key=_first_to_tell_of, default=None)


def _first_to_tell_of(corner: CornerDrift) -> tuple[bool, date, float]:
    return not corner.is_outside, corner.expected_outside_on or date.max, -abs(corner.rate_mm_per_year or 0.0)
