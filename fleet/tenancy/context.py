"""The transaction that belongs to one workshop.

Row-level security shows rows of the workshop named in the transaction-local setting `app.workshop`, and
nothing without one. Middleware, tasks and commands all enter through `in_workshop`.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any

from django.db import connection, transaction

_current: ContextVar[uuid.UUID | None] = ContextVar("workshop", default=None)
_known: ContextVar[dict[str, Any] | None] = ContextVar("known_of_workshop", default=None)


class NoWorkshopError(RuntimeError):
    """A tenant row was to be made outside `in_workshop`."""


def current_workshop_id() -> uuid.UUID:
    """The workshop of the running transaction."""
    workshop_id = _current.get()
    if workshop_id is None:
        raise NoWorkshopError("no workshop in this context; enter fleet.tenancy.in_workshop first")
    return workshop_id


def known_here() -> dict[str, Any]:
    """What was read of the workshop and holds until its outermost transaction ends."""
    known = _known.get()
    if known is None:
        raise NoWorkshopError("no workshop in this context; enter fleet.tenancy.in_workshop first")
    return known


@contextmanager
def in_workshop(workshop_id: uuid.UUID, *, one_snapshot: bool = False) -> Iterator[None]:
    """A transaction in which exactly this workshop's rows exist.

    Nested use for the same workshop is a savepoint; for another workshop it is an error, since the
    setting lasts to the end of the outer transaction. With `one_snapshot` all queries see one state of the database;
    within a transaction that has begun, that is for whoever began it.
    """
    outer = _current.get()
    if outer is not None and outer != workshop_id and connection.in_atomic_block:
        raise NoWorkshopError(f"already in workshop {outer}; finish it before entering {workshop_id}")
    is_outermost = not connection.in_atomic_block
    with transaction.atomic():
        if one_snapshot and is_outermost:
            _see_one_state()
        _set_database_workshop(workshop_id)
        token = _current.set(workshop_id)
        known = _known.set({} if is_outermost or outer != workshop_id else known_here())
        try:
            yield
        finally:
            _known.reset(known)
            _current.reset(token)


def _see_one_state() -> None:
    with connection.cursor() as cursor:
        cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")


def _set_database_workshop(workshop_id: uuid.UUID) -> None:
    with connection.cursor() as cursor:
        cursor.execute("SELECT set_config('app.workshop', %s, true)", [str(workshop_id)])
