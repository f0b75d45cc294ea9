"""Vehicles: their identity, their operator, and corrections of a mistyped VIN."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any, Final
from uuid import UUID

from django.utils.translation import gettext_lazy as _

from fleet import ledger, outbox
from fleet.actor import Actor
from fleet.errors import Conflict, Invalid
from fleet.ids import new_id
from fleet.models import Operator, Tenure, Vehicle, VehicleModel, VinCorrection
from fleet.permissions import Permission, require
from fleet.vin import parse_vin

from .changes import locked, referenced, store

MODEL_KIND: Final = "fleet.vehicle_model_changed"
"""Of the outbox: whoever follows vehicles judges them by another specification from now on."""
MANAGER_ONLY: Final = frozenset({"operator", "vehicle_model"})


def vehicle_add(
    *,
    actor: Actor,
    record_id: UUID,
    vin: str,
    vehicle_model: UUID,
    operator: UUID,
    registration: str = "",
    model_year: int | None = None,
) -> Vehicle:
    """Record a vehicle; it is its operator's from now on."""
    require(actor, Permission.ADD_VEHICLES)
    vehicle = Vehicle(
        id=record_id,
        vin=parse_vin(vin).value,
        registration=registration,
        vehicle_model=referenced(VehicleModel.objects.all(), vehicle_model, "/vehicle_model"),
        operator=referenced(Operator.objects.all(), operator, "/operator"),
        model_year=model_year,
        created_at=actor.now,
    )
    _require_vin_is_free(vehicle.vin)
    _require_year_fits(vehicle)
    vehicle.save(force_insert=True)
    tenure = _begin_tenure(actor, vehicle)
    ledger.append(actor, "vehicle_added", vehicle, vehicle=vehicle, rows=[tenure])
    return vehicle


def vehicle_update(
    *, actor: Actor, vehicle_id: UUID, expected_versions: Collection[int], changes: Mapping[str, Any]
) -> Vehicle:
    """Change registration or model year; as a manager also the operator or the model.

    Another operator sees the vehicle from now on, the one before only what happened in their time.
    """
    require(actor, Permission.ADD_VEHICLES)
    if MANAGER_ONLY & set(changes):
        require(actor, Permission.SET_UP)
    vehicle = locked(Vehicle.objects.select_related("vehicle_model", "operator"), vehicle_id, expected_versions)
    operator_before, model_before = vehicle.operator_id, vehicle.vehicle_model_id
    if store(vehicle, _resolved(changes)):
        if vehicle.vehicle_model_id != model_before:
            _note_model(actor, vehicle)
        _require_year_fits(vehicle)
        tenures = _change_tenure(actor, vehicle) if vehicle.operator_id != operator_before else []
        ledger.append(actor, "vehicle_changed", vehicle, vehicle=vehicle, rows=tenures)
    return vehicle


def vin_correct(*, actor: Actor, record_id: UUID, vehicle_id: UUID, vin: str, reason: str) -> VinCorrection:
    """Replace a mistyped VIN; the vehicle answers to both from now on."""
    require(actor, Permission.RULE)
    vehicle = Vehicle.objects.select_for_update(no_key=True).get(pk=vehicle_id)
    corrected = parse_vin(vin).value
    if corrected == vehicle.vin:
        raise Invalid.at("/vin", "vin_unchanged", _("The vehicle has this VIN already."))
    _require_vin_is_free(corrected)
    correction = VinCorrection.objects.create(
        id=record_id,
        vehicle=vehicle,
        previous_vin=vehicle.vin,
        vin=corrected,
        reason=reason,
        recorded_at=actor.now,
        recorded_by=actor.membership_id,
    )
    store(vehicle, {"vin": corrected})
    ledger.append(actor, "vin_corrected", correction, vehicle=vehicle, rows=[vehicle])
    return correction


def _resolved(changes: Mapping[str, Any]) -> dict[str, Any]:
    fields = dict(changes)
    if "operator" in fields:
        fields["operator"] = referenced(Operator.objects.all(), fields["operator"], "/operator")
    if "vehicle_model" in fields:
        fields["vehicle_model"] = referenced(VehicleModel.objects.all(), fields["vehicle_model"], "/vehicle_model")
    return fields


def _note_model(actor: Actor, vehicle: Vehicle) -> None:
    vehicle.vehicle_model_since = actor.now
    vehicle.save(update_fields=["vehicle_model_since"])
    outbox.append(actor, MODEL_KIND, {"vehicle": str(vehicle.pk)})


def _begin_tenure(actor: Actor, vehicle: Vehicle) -> Tenure:
    return Tenure.objects.create(id=new_id(), vehicle=vehicle, operator_id=vehicle.operator_id, began_at=actor.now)


def _change_tenure(actor: Actor, vehicle: Vehicle) -> list[Tenure]:
    ended = Tenure.objects.get(vehicle=vehicle, ended_at=None)
    ended.ended_at = actor.now
    ended.save(update_fields=["ended_at"])
    return [ended, _begin_tenure(actor, vehicle)]


def _require_vin_is_free(vin: str) -> None:
    if Vehicle.objects.filter(vin=vin).exists():
        raise Conflict(
            _("There is already a vehicle with this VIN. Use it, or compare this VIN with the plate again."),
            code="vin_taken",
            pointer="/vin",
        )


def _require_year_fits(vehicle: Vehicle) -> None:
    model, year = vehicle.vehicle_model, vehicle.model_year
    if year is None or model.year_from <= year <= (model.year_to or year):
        return
    detail = _("This vehicle model is recorded for the model years %(first)s to %(last)s.") % {
        "first": model.year_from,
        "last": model.year_to or _("today"),
    }
    raise Invalid.at("/model_year", "model_year_outside", detail)
