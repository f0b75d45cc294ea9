"""What every table of a workshop has."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from typing import Any, ClassVar

from django.db import models

from ..ids import new_id
from ..tenancy import current_workshop_id


class WorkshopKey(models.ForeignKey[Any, Any]):
    """The tenant of a row: the workshop of the running transaction unless given. Migrations see a plain key."""

    def __init__(self, to: Any = "fleet.Workshop", on_delete: Any = models.PROTECT, **options: Any) -> None:
        super().__init__(to, on_delete, **{"editable": False, "related_name": "+", **options})

    def get_default(self) -> uuid.UUID:
        return current_workshop_id()

    def deconstruct(self) -> Any:
        name, _, args, options = super().deconstruct()
        return name, "django.db.models.ForeignKey", args, options


class TenantModel(models.Model):
    """A row that belongs to exactly one workshop.

    `private_fields` are personal data or secrets: they stay out of the ledger, which holds a salted
    commitment where the row carries a `commitment_salt`.
    """

    private_fields: ClassVar[tuple[str, ...]] = ()
    kept_by_ledger: ClassVar[bool] = True
    """Whether every row is in the ledger as it last was: not where rows are made anew from records, or are none."""
    not_yet_kept_while: ClassVar[Mapping[str, Any]] = {}
    """Values of fields that a row has before it first comes into the ledger."""
    hashed_fields: ClassVar[Mapping[str, str]] = {}
    """Private fields of which the ledger knows the SHA-256: the field that holds it, by the name of the field."""

    id = models.UUIDField(primary_key=True, default=new_id, editable=False)
    workshop = WorkshopKey()

    class Meta:
        abstract = True


class VersionedModel(TenantModel):
    """A thing that may change. Every change raises `version`, which is its entity tag."""

    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        abstract = True


class RecordModel(TenantModel):
    """A fact. Never changed and never removed; the database refuses both."""

    recorded_at = models.DateTimeField(editable=False)
    recorded_by = models.UUIDField(null=True, editable=False)
    """Membership that recorded it; none where the service itself did."""

    class Meta:
        abstract = True
