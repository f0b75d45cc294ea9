"""Bays: where vehicles are measured, with the survey of the floor."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import date
from typing import Any
from uuid import UUID

from django.utils.translation import gettext_lazy as _

from fleet import ledger
from fleet.actor import Actor
from fleet.days import require_not_to_come
from fleet.errors import Conflict
from fleet.models import Bay
from fleet.numbers import json_numbers
from fleet.permissions import Permission, require

from .changes import locked, store


def bay_add(*, actor: Actor, record_id: UUID, name: str, surveyed_on: date, pad_levels_mm: Mapping[str, object]) -> Bay:
    require(actor, Permission.SET_UP)
    _require_surveyed(actor, surveyed_on)
    _require_name_is_free(name)
    bay = Bay.objects.create(
        id=record_id,
        name=name,
        surveyed_on=surveyed_on,
        pad_levels_mm=json_numbers(pad_levels_mm),
        created_at=actor.now,
    )
    ledger.append(actor, "bay_added", bay)
    return bay


def bay_update(*, actor: Actor, bay_id: UUID, expected_versions: Collection[int], changes: Mapping[str, Any]) -> Bay:
    """Rename a bay or record another survey; the ledger keeps the one before."""
    require(actor, Permission.SET_UP)
    bay = locked(Bay.objects.all(), bay_id, expected_versions)
    if changes.get("name", bay.name) != bay.name:
        _require_name_is_free(changes["name"])
    if changes.get("surveyed_on", bay.surveyed_on) != bay.surveyed_on:
        _require_surveyed(actor, changes["surveyed_on"])
    if store(bay, _storable(changes)):
        ledger.append(actor, "bay_changed", bay)
    return bay


def _storable(changes: Mapping[str, Any]) -> dict[str, Any]:
    return {name: json_numbers(value) if name == "pad_levels_mm" else value for name, value in changes.items()}


def _require_surveyed(actor: Actor, surveyed_on: date) -> None:
    refusal = _("The floor cannot have been surveyed on a day that is yet to come.")
    require_not_to_come(surveyed_on, actor.now, "/surveyed_on", "in_the_future", refusal)


def _require_name_is_free(name: str) -> None:
    if Bay.objects.filter(name=name).exists():
        raise Conflict(_("There is already a bay with this name."), code="name_taken", pointer="/name")
