"""Operators: the customers who run the vehicles."""

from __future__ import annotations

import secrets
from collections.abc import Collection, Mapping
from typing import Any
from uuid import UUID

from django.utils.translation import gettext_lazy as _

from fleet import ledger
from fleet.actor import Actor
from fleet.errors import Conflict
from fleet.models import Operator
from fleet.permissions import Permission, require

from .changes import locked, store


def operator_add(
    *, actor: Actor, record_id: UUID, name: str, email: str = "", address: str = "", telephone: str = ""
) -> Operator:
    require(actor, Permission.SET_UP)
    _require_name_is_free(name)
    operator = Operator.objects.create(
        id=record_id,
        name=name,
        email=email,
        address=address,
        telephone=telephone,
        commitment_salt=secrets.token_bytes(16),
        created_at=actor.now,
    )
    ledger.append(actor, "operator_added", operator)
    return operator


def operator_update(
    *, actor: Actor, operator_id: UUID, expected_versions: Collection[int], changes: Mapping[str, Any]
) -> Operator:
    require(actor, Permission.SET_UP)
    operator = locked(Operator.objects.all(), operator_id, expected_versions)
    if changes.get("name", operator.name) != operator.name:
        _require_name_is_free(changes["name"])
    if store(operator, changes):
        ledger.append(actor, "operator_changed", operator)
    return operator


def _require_name_is_free(name: str) -> None:
    if Operator.objects.filter(name=name).exists():
        raise Conflict(
            _("There is already an operator with this name. Use that one, or tell the two apart by name."),
            code="name_taken",
            pointer="/name",
        )
