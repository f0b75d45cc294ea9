"""Faults that somebody might make in the outbox. The campaign's checks must find each of them."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from typing import Any, Final

from django.utils import timezone

from fleet import outbox
from fleet.actor import Actor
from fleet.models import OutboxItem
from fleet.tenancy import in_workshop
from reports import letters


def mark_before_effect() -> None:
    """The item is done, and committed as done, before its handler begins."""

    def perform(workshop_id: uuid.UUID, item_id: uuid.UUID, **_hand_over: Any) -> bool:
        item = outbox._claim(workshop_id, item_id, None)
        if item is None:
            return False
        with _transaction(workshop_id):
            outbox._finish(item)
        with _transaction(workshop_id):
            _handle(item)
        return True

    _replace(outbox, "perform", perform)


def effect_outside_the_transaction() -> None:
    """The handler's effect is committed by itself, and the item's completion after it."""

    def perform(workshop_id: uuid.UUID, item_id: uuid.UUID, **_hand_over: Any) -> bool:
        item = outbox._claim(workshop_id, item_id, None)
        if item is None:
            return False
        with _transaction(workshop_id):
            _handle(item)
        with _transaction(workshop_id):
            outbox._finish(item)
        return True

    _replace(outbox, "perform", perform)


def lease_ignored() -> None:
    """Whoever comes takes the item, whether somebody is at work on it or not."""

    def claim(workshop_id: uuid.UUID, item_id: uuid.UUID, _hand_over: Any) -> OutboxItem | None:
        with in_workshop(workshop_id):
            item = OutboxItem.objects.filter(pk=item_id, state=OutboxItem.State.WAITING).first()
            if item is not None:
                OutboxItem.objects.filter(pk=item_id).update(attempts=item.attempts + 1)
            return item

    _replace(outbox, "_claim", claim)
    _replace(outbox, "_still_ours", lambda _item: True)


def attempts_not_counted() -> None:
    """An attempt counts only when it is over, so that what kills its worker is tried for ever."""

    def claim(workshop_id: uuid.UUID, item_id: uuid.UUID, _hand_over: Any) -> OutboxItem | None:
        with _transaction(workshop_id):
            item = OutboxItem.objects.select_for_update(skip_locked=True).filter(pk=item_id, state="waiting").first()
            if item is not None:
                item.leased_until = timezone.now() + outbox.LEASE
                item.save(update_fields=["leased_until"])
                item.attempts += 1
            return item

    _replace(outbox, "_claim", claim)
    _replace(outbox, "_still_ours", lambda _item: True)


def id_made_anew() -> None:
    """Every attempt to send an e-mail has a Message-ID of its own, so that nobody can tell a repeat."""
    usual = letters._hand_over

    def hand_over(address: str | None, _identity: str, *rest: Any) -> None:
        usual(address, f"<{uuid.uuid4()}@levelbook>", *rest)

    _replace(letters, "_hand_over", hand_over)


FAULTS: Final[dict[str, Callable[[], None]]] = {
    each.__name__: each
    for each in (mark_before_effect, effect_outside_the_transaction, lease_ignored, attempts_not_counted, id_made_anew)
}


def _transaction(workshop_id: uuid.UUID) -> Any:
    """As the outbox enters them, so that its stages are told of."""
    return getattr(outbox, "in_workshop")(workshop_id)  # noqa: B009


def _handle(item: OutboxItem) -> None:
    outbox.handlers()[item.kind](Actor.system(item.workshop_id, timezone.now()), item.payload)


def _replace(place: Any, name: str, other: Any) -> None:
    setattr(place, name, other)
