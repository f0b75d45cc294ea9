"""Vehicle models and the revisions of their specifications."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import date
from typing import Any, Final
from uuid import UUID

from django.utils.translation import gettext_lazy as _

from fleet import ledger, outbox, specifications
from fleet.actor import Actor
from fleet.days import first_moment, local_day
from fleet.errors import Conflict, Invalid
from fleet.models import Specification, VehicleModel
from fleet.permissions import Permission, require

from .changes import locked, store

REVISION_KIND: Final = "fleet.specification_in_force"
"""Of the outbox, due when a revision takes effect: whoever follows the model's vehicles judges them by it."""


def vehicle_model_add(
    *, actor: Actor, record_id: UUID, make: str, name: str, year_from: int, year_to: int | None = None
) -> VehicleModel:
    require(actor, Permission.SET_UP)
    _require_years_in_order(year_from, year_to)
    _require_is_free(make, name, year_from)
    model = VehicleModel.objects.create(
        id=record_id, make=make, name=name, year_from=year_from, year_to=year_to, created_at=actor.now
    )
    ledger.append(actor, "vehicle_model_added", model)
    return model


def vehicle_model_update(
    *, actor: Actor, vehicle_model_id: UUID, expected_versions: Collection[int], changes: Mapping[str, Any]
) -> VehicleModel:
    require(actor, Permission.SET_UP)
    model = locked(VehicleModel.objects.all(), vehicle_model_id, expected_versions)
    names = ("make", "name", "year_from")
    wanted = {name: changes.get(name, getattr(model, name)) for name in names}
    _require_years_in_order(wanted["year_from"], changes.get("year_to", model.year_to))
    if any(wanted[name] != getattr(model, name) for name in names):
        _require_is_free(**wanted)
    if store(model, changes):
        ledger.append(actor, "vehicle_model_changed", model)
    return model


def specification_add(
    *, actor: Actor, record_id: UUID, vehicle_model: VehicleModel, specification: Mapping[str, Any]
) -> Specification:
    """Record the next revision; revisions are never edited.

    `specification` has the interface's fields, of the right types each; rules that bind several are checked here.
    """
    require(actor, Permission.SET_UP)
    content = specifications.completed(specification)
    VehicleModel.objects.select_for_update(no_key=True).get(pk=vehicle_model.pk)
    last = vehicle_model.specifications.order_by("-revision").values_list("revision", flat=True).first()
    revision = Specification.objects.create(
        id=record_id,
        vehicle_model=vehicle_model,
        revision=(last or 0) + 1,
        **{name: specification[name] for name in specifications.OWN_COLUMNS},
        content=content,
        true_vehicles_passing=specifications.true_vehicles_passing(content),
        recorded_at=actor.now,
        recorded_by=actor.membership_id,
    )
    ledger.append(actor, "specification_added", revision)
    if vehicle_model.vehicles.exists():
        _ask_when_in_force(actor, vehicle_model.pk, revision.effective_from)
    return revision


def later_revisions_await(*, actor: Actor) -> None:
    """Have those noticed that are on record and not in force yet: each when its day begins where the workshop is."""
    later = Specification.objects.filter(effective_from__gt=local_day(actor.now)).order_by("effective_from")
    for vehicle_model_id, day in later.values_list("vehicle_model", "effective_from").distinct():
        _ask_when_in_force(actor, vehicle_model_id, day)


def _ask_when_in_force(actor: Actor, vehicle_model_id: UUID, day: date) -> None:
    due_at = max(actor.now, first_moment(day))
    outbox.append(actor, REVISION_KIND, {"vehicle_model": str(vehicle_model_id)}, due_at=due_at)


def _require_years_in_order(year_from: int, year_to: int | None) -> None:
    if year_to is not None and year_to < year_from:
        raise Invalid.at("/year_to", "years_in_order", _("The last model year must not lie before the first."))


def _require_is_free(make: str, name: str, year_from: int) -> None:
    if VehicleModel.objects.filter(make=make, name=name, year_from=year_from).exists():
        raise _taken()


def _taken() -> Conflict:
    return Conflict(
        _("This vehicle model is already recorded from this model year."),
        code="vehicle_model_taken",
        pointer="/name",
    )
