"""Exports and archives: who sees them, where their files lie, and how far the work on them is."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from typing import Any, Final

from django.db import models
from django.db.models import Model, QuerySet
from django.utils.translation import pgettext_lazy

from fleet.actor import Actor
from fleet.errors import NotFound
from fleet.models import OutboxItem
from fleet.permissions import Permission, require

from ..archive.tables import PEOPLE, WORKSHOP, tables
from ..models import ArchiveIntake, Export

EXPORTS: Final = "exports"
ARCHIVES: Final = "archives"


class State(models.TextChoices):
    """How far background work on a file is."""

    QUEUED = "queued", pgettext_lazy("work", "queued")
    RUNNING = "running", pgettext_lazy("work", "running")
    DONE = "done", pgettext_lazy("work", "done")
    REFUSED = "refused", pgettext_lazy("work", "not accepted")
    FAILED = "failed", pgettext_lazy("work", "failed")
    CLEARED = "cleared", pgettext_lazy("work", "cleared away")


def visible_exports(actor: Actor) -> QuerySet[Export]:
    require(actor, Permission.SET_UP)
    return Export.objects.select_related("requested_by")


def export_for(actor: Actor, export_id: uuid.UUID) -> Export:
    export = visible_exports(actor).filter(pk=export_id).first()
    if export is None:
        raise NotFound
    return export


def visible_archives(actor: Actor) -> QuerySet[ArchiveIntake]:
    require(actor, Permission.SET_UP)
    return ArchiveIntake.objects.select_related("handed_in_by")


def export_path(export: Export) -> str:
    return f"{EXPORTS}/{export.workshop_id}/{export.pk}.zip"


def archive_path(intake: ArchiveIntake) -> str:
    """Where an archive lies until it is taken in or refused."""
    return f"{ARCHIVES}/{intake.workshop_id}/{intake.pk}.zip"


def evidence_path(intake: ArchiveIntake) -> str:
    """Where the ledger as it was stays."""
    return f"{ARCHIVES}/{intake.workshop_id}/{intake.pk}-ledger.zip"


def export_state(export: Export) -> State:
    if export.cleared_at is not None:
        return State.CLEARED
    return State.DONE if export.made_at is not None else state_of_work("reports.export_make", "export", export.pk)


def archive_state(intake: ArchiveIntake) -> State:
    if intake.state == ArchiveIntake.State.WAITING:
        return state_of_work("reports.archive_take_in", "archive", intake.pk)
    return State.DONE if intake.state == ArchiveIntake.State.DONE else State.REFUSED


def state_of_work(kind: str, name: str, record_id: uuid.UUID) -> State:
    """Of what is not finished, by its item of the outbox."""
    item = OutboxItem.objects.filter(kind=kind, payload__contains={name: str(record_id)}).first()
    if item is None or item.state == OutboxItem.State.PARKED:
        return State.FAILED
    return State.RUNNING if item.leased_until is not None else State.QUEUED


def what_is_there() -> list[str]:
    """Labels of tables in which an empty workshop would have no row. People and settings may be there before."""
    models_: list[type[Model]] = [each.model for each in tables() if each.label not in (WORKSHOP, PEOPLE)]
    return [model._meta.label_lower for model in models_ if model._base_manager.exists()]


def totals(counts: Mapping[str, Any]) -> dict[str, int]:
    """What people want to know of an archive, from its counts."""
    shown = {
        "vehicles": "fleet.vehicle",
        "jobs": "calibration.job",
        "checks": "calibration.heightcheck",
        "certificates": "certificates",
        "photos": "photos",
        "ledger_entries": "ledger_entries",
    }
    return {name: int(counts.get(key, 0)) for name, key in shown.items()}
