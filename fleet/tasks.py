"""Celery tasks of fleet: each takes ids, claims and calls. All may be repeated without harm."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from typing import Any, Final

from celery import shared_task
from django.contrib.sessions.backends.db import SessionStore

from . import ledger, outbox, services
from .actor import Actor

LONGEST_S: Final = 6 * 3600
"""For work that takes long. Its message is delivered again meanwhile, and finds the item held."""


@shared_task(name="fleet.tasks.perform_outbox_item", ignore_result=True)
def perform_outbox_item(workshop_id: str, item_id: str) -> None:
    """Perform one outbox item; does nothing where it is gone or done. What takes long is left to a task that may."""

    def hand_over() -> None:
        perform_long_outbox_item.apply_async((workshop_id, item_id), retry=False, ignore_result=True)

    outbox.perform(uuid.UUID(workshop_id), uuid.UUID(item_id), hand_over=hand_over)


@shared_task(
    name="fleet.tasks.perform_long_outbox_item",
    ignore_result=True,
    time_limit=LONGEST_S,
    soft_time_limit=LONGEST_S - 60,
)
def perform_long_outbox_item(workshop_id: str, item_id: str) -> None:
    """The same, for work that takes minutes or hours."""
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
