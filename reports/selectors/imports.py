"""Imports and their files: managers see those of their workshop."""

from __future__ import annotations

from typing import Final
from uuid import UUID

from django.db.models import QuerySet

from fleet.actor import Actor
from fleet.errors import NotFound
from fleet.permissions import Permission, may

from ..models import Import, ImportFile, RowProblem

PROBLEMS_SHOWN: Final = 1_000


def visible_imports(actor: Actor) -> QuerySet[Import]:
    rows = Import.objects.select_related("file", "started_by")
    return rows if may(actor, Permission.SET_UP) else rows.none()


def visible_files(actor: Actor) -> QuerySet[ImportFile]:
    return ImportFile.objects.all() if may(actor, Permission.SET_UP) else ImportFile.objects.none()


def import_for(actor: Actor, import_id: UUID) -> Import:
    run = visible_imports(actor).filter(pk=import_id).first()
    if run is None:
        raise NotFound
    return run


def problems_of(run: Import) -> QuerySet[RowProblem]:
    """What was wrong with its rows, by line."""
    return RowProblem.objects.filter(of_import=run).order_by("line", "ordinal")
