"""Which vehicles a person sees: all of the workshop's, or an operator contact's own for the time they were theirs."""

from __future__ import annotations

from typing import Any, TypeVar

from django.db.models import Exists, Model, OuterRef, Q, QuerySet

from fleet.actor import Actor
from fleet.errors import NotFound
from fleet.models import Tenure, Vehicle, VinCorrection
from fleet.permissions import Permission, may
from fleet.vin import normalise_vin

M = TypeVar("M", bound=Model)


def sees_whole_workshop(actor: Actor) -> bool:
    return may(actor, Permission.READ_WORKSHOP)


def visible_vehicles(actor: Actor) -> QuerySet[Vehicle]:
    """The actor's vehicles with model and operator at hand; none without the right to any."""
    vehicles = Vehicle.objects.select_related("vehicle_model", "operator")
    if sees_whole_workshop(actor):
        return vehicles
    if actor.operator_id is None or not may(actor, Permission.READ_OWN_VEHICLES):
        return vehicles.none()
    own = Tenure.objects.filter(vehicle=OuterRef("pk"), operator_id=actor.operator_id)
    return vehicles.filter(Exists(own))


def vehicles_now_of(actor: Actor) -> QuerySet[Vehicle]:
    """Those whose present state the actor sees."""
    seen = visible_vehicles(actor)
    return seen if sees_whole_workshop(actor) else seen.filter(operator=actor.operator_id)


def vehicle_by_vin(actor: Actor, vin: str) -> Vehicle:
    """The vehicle that has this VIN, or had it until it was corrected."""
    wanted = normalise_vin(vin)
    if "\x00" in wanted:  # no text of the database has one
        raise NotFound
    visible = visible_vehicles(actor)
    vehicle = visible.filter(vin=wanted).first()
    if vehicle is None and not Vehicle.objects.filter(vin=wanted).exists():
        corrected = VinCorrection.objects.filter(previous_vin=wanted).order_by("-recorded_at", "-id")
        vehicle = visible.filter(pk__in=corrected.values("vehicle")[:1]).first()
    if vehicle is None:
        raise NotFound
    return vehicle


def is_now_visible(actor: Actor, vehicle: Vehicle) -> bool:
    """Whether the actor sees the vehicle's present state, not only its past."""
    return sees_whole_workshop(actor) or vehicle.operator_id == actor.operator_id


def within_tenures(records: QuerySet[M], actor: Actor, vehicle: Vehicle, time_field: str) -> QuerySet[M]:
    """A vehicle's records, for an operator contact only those from the time in which it was theirs."""
    if sees_whole_workshop(actor):
        return records
    if actor.operator_id is None:
        return records.none()
    own = Q(pk__in=[])
    for tenure in Tenure.objects.filter(vehicle=vehicle, operator_id=actor.operator_id):
        period: dict[str, Any] = {f"{time_field}__gte": tenure.began_at}
        if tenure.ended_at is not None:
            period[f"{time_field}__lt"] = tenure.ended_at
        own |= Q(**period)
    return records.filter(own)
