"""Client-made ids: a request that was carried out is carried out once, however often it is sent."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Mapping
from typing import TypeVar

from django.db import connection
from django.utils.translation import gettext as _

from .actor import Actor
from .errors import Conflict
from .fingerprint import fingerprint
from .ids import new_id
from .models import Receipt

T = TypeVar("T")

TAKE_SQL = """
    INSERT INTO fleet_receipt (id, workshop_id, kind, fingerprint, received_at)
    VALUES (%s, %s, %s, %s, %s) ON CONFLICT DO NOTHING
"""


def once(
    actor: Actor,
    kind: str,
    record_id: uuid.UUID | None,
    content: Mapping[str, object],
    do: Callable[[uuid.UUID], T],
    find: Callable[[uuid.UUID], T],
) -> tuple[T, bool]:
    """What `do` makes, and True; for an id seen before with the same content what `find` finds, and False.

    A racing second sender waits here until the first one's transaction ends.
    """
    if record_id is None:
        return do(new_id()), True
    if _take(actor, kind, record_id, fingerprint(content)):
        return do(record_id), True
    return find(record_id), False


def _take(actor: Actor, kind: str, record_id: uuid.UUID, content_fingerprint: str) -> bool:
    with connection.cursor() as cursor:
        cursor.execute(TAKE_SQL, [record_id, actor.workshop_id, kind, content_fingerprint, actor.now])
        if cursor.rowcount == 1:
            return True
    first = Receipt.objects.filter(pk=record_id).values_list("kind", "fingerprint").first()
    if first == (kind, content_fingerprint):
        return False
    raise Conflict(
        _("The id %(id)s was used before for something else. Nothing was changed; send new content under a new id.")
        % {"id": record_id},
        code="id_reused",
    )
