"""Background work as rows: appended in the caller's transaction, performed later by a worker.

An app registers, in its module `tasks`, a handler for each kind it understands. A handler runs in a transaction of
its own, in the item's workshop; what it does and the item's completion commit together, so it takes effect exactly
once.
Messages to the broker are hints only: the periodic sweep finds whatever is due.

A handler whose work reaches out of the service raises `Unreachable` where the other side does not answer now: such an
item is tried again over days before it is parked. Anything else that goes wrong in it is poison as everywhere.

A handler that `takes_long` runs under a time limit of hours: while it runs, its transaction holds the item's row, so
that whoever looks at the item passes it over, and a killed one lets it go. With `one_snapshot` all that it reads is
as it was when it began.
"""

from __future__ import annotations

import logging
import time
import uuid
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from typing import Any

from django.db import connection, transaction
from django.db.models import QuerySet
from django.utils import timezone

from .actor import Actor
from .models import OutboxItem
from .registering import register_all
from .tenancy import in_workshop
from .worded_once import worded_once

logger = logging.getLogger(__name__)

Handler = Callable[[Actor, dict[str, Any]], None]
MOST_ATTEMPTS = 5
LEASE = timedelta(minutes=2)
PAUSES_OUTSIDE = (
    *(timedelta(seconds=5), timedelta(minutes=5), timedelta(minutes=30)),
    *(timedelta(hours=each) for each in (2, 5, 10, 14, 20, 24)),
)
"""Between attempts to reach somebody outside: ten within some three days."""
PAUSE_OF_HINTS_S = 20.0

_registered: dict[str, Handler] = {}
_reaching_out: set[str] = set()
_taking_long: set[str] = set()
_in_one_snapshot: set[str] = set()
_no_hint_until = 0.0


class Unreachable(Exception):  # noqa: N818
    """Somebody outside does not answer now; it may be days before they do."""


def handles(
    kind: str, *, reaches_out: bool = False, takes_long: bool = False, one_snapshot: bool = False
) -> Callable[[Handler], Handler]:
    """Register the function that performs items of this kind; `reaches_out` where it may raise `Unreachable`."""

    def register(handler: Handler) -> Handler:
        for is_so, kinds in (
            (reaches_out, _reaching_out),
            (takes_long, _taking_long),
            (one_snapshot, _in_one_snapshot),
        ):
            if is_so:
                kinds.add(kind)
        if _registered.setdefault(kind, handler) is not handler:
            raise RuntimeError(f"two handlers for outbox items of kind {kind!r}")
        return handler

    return register


def handlers() -> dict[str, Handler]:
    """Who performs items of each kind."""
    register_all("tasks")
    return _registered


def append(actor: Actor, kind: str, payload: Mapping[str, Any], *, due_at: datetime | None = None) -> OutboxItem:
    """Ask for background work; it becomes due when the caller's transaction commits."""
    item = OutboxItem.objects.create(
        workshop_id=actor.workshop_id,
        kind=kind,
        payload=dict(payload),
        created_at=actor.now,
        due_at=due_at or actor.now,
    )
    transaction.on_commit(lambda: hint(actor.workshop_id, item.pk))
    return item


def append_unless_waiting(actor: Actor, kind: str, *, due_at: datetime, not_before: datetime) -> None:
    """Ask for work that takes in whatever there is by then, unless some of its kind waits and is not due earlier.

    The sweep finds it when it is due; no hint is sent now.
    """
    if not _one_waiting(kind, not_before):
        OutboxItem.objects.create(workshop_id=actor.workshop_id, kind=kind, created_at=actor.now, due_at=due_at)


@worded_once
def _one_waiting(kind: str, not_before: datetime) -> QuerySet[Any, tuple[uuid.UUID]]:
    waiting = OutboxItem.objects.filter(kind=kind, state=OutboxItem.State.WAITING, due_at__gte=not_before)
    return waiting.order_by().values_list("pk")[:1]


def hint(workshop_id: uuid.UUID, item_id: uuid.UUID) -> None:
    """Tell a worker at once; a broker that cannot be reached is not an error, the sweep will find the item.

    After a failure this process sends none for a while: a broker that hangs must hold up one request, not each.
    """
    global _no_hint_until
    register_all("celery")  # binds the task to this installation's broker
    from .tasks import perform_outbox_item

    if time.monotonic() < _no_hint_until:
        return
    try:
        perform_outbox_item.apply_async((str(workshop_id), str(item_id)), retry=False, ignore_result=True)
    except Exception as error:  # noqa: BLE001  (any transport failure: the row is what counts)
        _no_hint_until = time.monotonic() + PAUSE_OF_HINTS_S
        logger.warning("outbox hint not sent: %s", type(error).__name__)


def due(limit: int = 500) -> list[tuple[uuid.UUID, uuid.UUID]]:
    """(workshop, item) of what is due now and leased by nobody, over all workshops."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT workshop_id, item_id FROM levelbook_due_work(%s)", [limit])
        return [(row[0], row[1]) for row in cursor.fetchall()]


def perform(
    workshop_id: uuid.UUID,
    item_id: uuid.UUID,
    *,
    at: datetime | None = None,
    hand_over: Callable[[], None] | None = None,
) -> bool:
    """Claim one item and perform it. False where it is gone, done, not due or claimed by another.

    `at` is the time that the handler works at, now unless given; the demo gives past ones. `hand_over` is called
    instead where the work takes longer than the caller may.
    """
    handler_of = handlers()
    item = _claim(workshop_id, item_id, hand_over)
    if item is None:
        return False
    try:
        with in_workshop(workshop_id, one_snapshot=item.kind in _in_one_snapshot):
            if not _still_ours(item):
                return False
            handler_of[item.kind](Actor.system(workshop_id, at or timezone.now()), item.payload)
            _finish(item)
    except Exception as error:
        logger.exception("outbox item failed", extra={"item": str(item_id), "kind": item.kind})
        _give_back(workshop_id, item, error)
        return False
    return True


def _claim(workshop_id: uuid.UUID, item_id: uuid.UUID, hand_over: Callable[[], None] | None) -> OutboxItem | None:
    """Count the attempt and lease the item, in a transaction of its own: a crash later still counts."""
    now = timezone.now()
    with in_workshop(workshop_id):
        item = (
            OutboxItem.objects.select_for_update(skip_locked=True)
            .filter(pk=item_id, state=OutboxItem.State.WAITING, due_at__lte=now)
            .exclude(leased_until__gt=now)
            .first()
        )
        if item is None:
            return None
        if hand_over is not None and item.kind in _taking_long:
            transaction.on_commit(hand_over)
            return None
        if item.attempts >= _most_attempts(item.kind):  # died in each attempt without telling why
            _park(item, item.error or "the worker was lost in each attempt")
            return None
        item.attempts += 1
        item.leased_until = now + LEASE
        item.save(update_fields=["attempts", "leased_until"])
    return item


def _still_ours(item: OutboxItem) -> bool:
    """Lock the row for the effect's transaction, so that a second worker with a lapsed lease waits and then stops."""
    return (
        OutboxItem.objects.select_for_update()
        .filter(pk=item.pk, state=OutboxItem.State.WAITING, attempts=item.attempts)
        .exists()
    )


def _finish(item: OutboxItem) -> None:
    item.state = OutboxItem.State.DONE
    item.finished_at = timezone.now()
    item.error = ""
    item.save(update_fields=["state", "finished_at", "error"])


def _give_back(workshop_id: uuid.UUID, item: OutboxItem, error: Exception) -> None:
    is_unreachable = isinstance(error, Unreachable)
    text = (str(error) if is_unreachable else f"{type(error).__name__}: {error}")[:2000]
    with in_workshop(workshop_id):
        if item.attempts >= (_most_attempts(item.kind) if is_unreachable else MOST_ATTEMPTS):
            _park(item, text)
            return
        pause = PAUSES_OUTSIDE[item.attempts - 1] if is_unreachable else timedelta(seconds=2**item.attempts)
        item.error = text
        item.leased_until = None
        item.due_at = timezone.now() + pause
        item.save(update_fields=["error", "leased_until", "due_at"])


def _most_attempts(kind: str) -> int:
    return len(PAUSES_OUTSIDE) + 1 if kind in _reaching_out else MOST_ATTEMPTS


def _park(item: OutboxItem, error: str) -> None:
    item.state = OutboxItem.State.PARKED
    item.error = error
    item.finished_at = timezone.now()
    item.leased_until = None
    item.save(update_fields=["state", "error", "finished_at", "leased_until"])
