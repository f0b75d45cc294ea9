"""What every change to a mutable thing does the same way: lock, compare versions, store, raise the version."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any, TypeVar
from uuid import UUID

from django.db.models import Model, QuerySet
from django.utils.translation import gettext_lazy as _

from fleet.actor import Actor
from fleet.days import note_time_zone
from fleet.errors import Forbidden, Invalid, NotFound, StaleVersion
from fleet.models import Membership, VersionedModel, Workshop

M = TypeVar("M", bound=Model)
Mutable = TypeVar("Mutable", bound="VersionedModel | Workshop")


def locked(queryset: QuerySet[Mutable], record_id: UUID, expected_versions: Collection[int]) -> Mutable:
    """The row, locked to the end of the transaction, where it still has a version that the client knows."""
    row = queryset.select_for_update(of=("self",), no_key=True).filter(pk=record_id).first()
    if row is None:
        raise NotFound
    StaleVersion.raise_unless(current=row.version, expected=expected_versions)
    return row


def store(row: VersionedModel | Workshop, changes: Mapping[str, Any]) -> bool:
    """Set the fields that differ and save them under the next version. False where nothing differs."""
    changed = [name for name, value in changes.items() if getattr(row, name) != value]
    if not changed:
        return False
    for name in changed:
        setattr(row, name, changes[name])
    row.version += 1
    row.save(update_fields=[*changed, "version"])
    if isinstance(row, Workshop):
        note_time_zone(row)
    return True


def acting_person(actor: Actor, members: QuerySet[Membership]) -> Membership:
    """The member who acts; the service itself is none."""
    if actor.membership_id is None:
        raise Forbidden(_("Only a person can do this."))
    return members.get(pk=actor.membership_id)


def referenced(queryset: QuerySet[M], record_id: UUID, pointer: str) -> M:
    """The row that a body refers to; another workshop's does not exist."""
    row = queryset.filter(pk=record_id).first()
    if row is None:
        raise Invalid.at(pointer, "unknown_reference", _("There is no such record in your workshop."))
    return row
