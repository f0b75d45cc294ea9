"""Background work that waits for a person."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from django.db.models import QuerySet

from fleet.models import OutboxItem

SHOWN_SUBJECTS: Final = (
    "job",
    "certificate",
    "approval",
    "vehicle",
    "invitation",
    "membership",
    "operator",
    "delivery",
    "export",
    "archive",
)


def parked_work() -> QuerySet[OutboxItem]:
    return OutboxItem.objects.filter(state=OutboxItem.State.PARKED)


def unreached_work() -> QuerySet[OutboxItem]:
    """What has failed and is tried again, as while a mail server is down for days."""
    return OutboxItem.objects.filter(state=OutboxItem.State.WAITING, attempts__gte=2).exclude(error="")


def subjects(payload: Mapping[str, Any]) -> dict[str, str]:
    """The ids of what a piece of work is about; nothing else of its payload is shown."""
    return {name: str(payload[name]) for name in SHOWN_SUBJECTS if name in payload}
