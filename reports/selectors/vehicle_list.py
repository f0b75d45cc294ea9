"""Vehicles as a list shows them: searched, filtered, sorted, each with its last job."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from django.db.models import Exists, F, OuterRef, Q, QuerySet, Subquery

from calibration.models import OPEN_STATES, Job
from fleet.actor import Actor
from fleet.models import Vehicle
from fleet.selectors.vehicles import sees_whole_workshop, visible_vehicles

from .standing import own_jobs, with_known

ORDERS: Final[Mapping[str, tuple[Any, ...]]] = {
    "": (F("last_opened_at").desc(nulls_last=True), "id"),
    "registration": ("registration", "id"),
    "vin": ("vin",),
    "newest": ("-created_at", "-id"),
}


def listed_vehicles(actor: Actor, wanted: Mapping[str, Any]) -> QuerySet[Vehicle]:
    """The actor's vehicles with `last_job`, `last_state`, `last_number` and `last_opened_at`, and with `known`.

    `wanted`: `q` (part of VIN or registration), `operator`, `model`, `work` (known, open, none), `sort`.
    """
    last = _jobs(actor).order_by("-opened_at", "-id")
    vehicles = with_known(visible_vehicles(actor), actor).annotate(
        last_job=Subquery(last.values("pk")[:1]),
        last_number=Subquery(last.values("number")[:1]),
        last_state=Subquery(last.values("state")[:1]),
        last_opened_at=Subquery(last.values("opened_at")[:1]),
    )
    return _filtered(actor, vehicles, wanted).order_by(*ORDERS[wanted.get("sort") or ""])


def _filtered(actor: Actor, vehicles: QuerySet[Any], wanted: Mapping[str, Any]) -> QuerySet[Any]:
    if text := "".join(str(wanted.get("q") or "").split()):
        vehicles = vehicles.filter(_matches(actor, text, str(wanted["q"]).strip()))
    if wanted.get("operator"):
        vehicles = vehicles.filter(operator=wanted["operator"])
    if wanted.get("model"):
        vehicles = vehicles.filter(vehicle_model=wanted["model"])
    if wanted.get("work") == "known":
        now_theirs = vehicles if sees_whole_workshop(actor) else vehicles.filter(operator=actor.operator_id)
        return now_theirs.exclude(known="")
    if wanted.get("work") == "open":
        return vehicles.filter(Exists(_jobs(actor).filter(state__in=OPEN_STATES)))
    return vehicles.exclude(Exists(_jobs(actor))) if wanted.get("work") == "none" else vehicles


def _matches(actor: Actor, closed_up: str, as_typed: str) -> Q:
    """Spaces do not matter; a registration that one may not see now is not searched either."""
    found = Q(vin__icontains=closed_up)
    registration = Q(registration__icontains=as_typed) | Q(registration__iexact=closed_up)
    if not sees_whole_workshop(actor):
        registration &= Q(operator=actor.operator_id)
    return found | registration


def _jobs(actor: Actor) -> QuerySet[Job]:
    return own_jobs(actor).filter(vehicle=OuterRef("pk"))
