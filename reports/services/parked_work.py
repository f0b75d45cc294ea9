"""Background work that failed in every attempt, and another try at it."""

from __future__ import annotations

import uuid

from django.db import transaction
from django.utils.translation import gettext as _

from fleet import outbox
from fleet.actor import Actor
from fleet.errors import Conflict, NotFound
from fleet.models import OutboxItem
from fleet.permissions import Permission, require


def parked_work_retry(*, actor: Actor, item_id: uuid.UUID) -> OutboxItem:
    """Put a parked item back in line with all its attempts; an item already in line stays there."""
    require(actor, Permission.SET_UP)
    item = OutboxItem.objects.select_for_update().filter(pk=item_id).first()
    if item is None:
        raise NotFound
    if item.state == OutboxItem.State.DONE:
        raise Conflict(_("This work is done; there is nothing to retry."), code="work_done")
    if item.state == OutboxItem.State.PARKED:
        _put_back(actor, item)
    return item


def _put_back(actor: Actor, item: OutboxItem) -> None:
    item.state = OutboxItem.State.WAITING
    item.attempts = 0
    item.due_at = actor.now
    item.leased_until = item.finished_at = None
    item.save(update_fields=["state", "attempts", "due_at", "leased_until", "finished_at"])
    transaction.on_commit(lambda: outbox.hint(item.workshop_id, item.pk))
