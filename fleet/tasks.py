"""Celery tasks of fleet: each takes ids, claims and calls. All may be repeated without harm."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from typing import Any

from celery import shared_task
from django.contrib.sessions.backends.db import SessionStore

from . import ledger, outbox, services
from .actor import Actor


@shared_task(name="fleet.tasks.perform_outbox_item", ignore_result=True)
def perform_outbox_item(workshop_id: str, item_id: str) -> None:
    """Perform one outbox item; does nothing where it is gone or done."""
    outbox.perform(uuid.UUID(workshop_id), uuid.UUID(item_id))


@shared_task(name="fleet.tasks.sweep_outbox", ignore_result=True)
def sweep_outbox() -> None:
    """Hint again at everything that is due: what the broker lost comes back here."""
    for workshop_id, item_id in outbox.due():
        outbox.hint(workshop_id, item_id)


@shared_task(name="fleet.tasks.clear_expired_sessions", ignore_result=True)
def clear_expired_sessions() -> None:
    """Remove what browsers' sessions held, once they have expired; that there was one stays among the sign-ins."""
    SessionStore.clear_expired()


@shared_task(name="fleet.tasks.clear_old_refusals", ignore_result=True)
def clear_old_refusals() -> None:
    """Remove the failed attempts to sign in that have been kept long enough."""
    services.old_refusals_clear()


@outbox.handles(ledger.CHECKPOINT_KIND)
def make_checkpoint(actor: Actor, payload: Mapping[str, Any]) -> None:
    """Repeatable: entries that are leaves already are not taken again, and a size has one head."""
    services.checkpoint_make_due(actor=actor)
