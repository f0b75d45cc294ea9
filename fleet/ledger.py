"""The ledger: one append-only, hash-chained book per vehicle, and one per workshop for set-up.

Each entry carries the full content of the rows that the step recorded or changed, as canonical JSON
(RFC 8785), so that every row can later be compared with what its last entry says. Personal data stay out:
a model's `private_fields` are left away, and a salted commitment stands for a person's or operator's name.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import uuid
from collections.abc import Iterable, Mapping
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any, Final

from django.db import connection

from . import outbox
from .actor import Actor
from .canonical import canonical as canonical_json
from .models import LedgerEntry, TenantModel, Vehicle, Workshop

FIRST_PREVIOUS_HASH = "0" * 64
CHECKPOINT_KIND: Final = "fleet.checkpoint"
CHECKPOINT_AFTER: Final = timedelta(minutes=2)
"""How long an entry waits at most until it is asked to be taken into the tree (`fleet.services.checkpoints`)."""
LONGEST_STEP: Final = timedelta(seconds=45)
"""A step commits within this time of its entry: work that is due no earlier sees the entry."""
PLAIN_TYPES: Final = frozenset({bool, float, int, str, type(None)})
COMMITTED_FIELDS = ("name", "email", "address", "telephone")


def plain(value: object) -> Any:
    """A value as JSON can carry it: one form for equal values, whatever their Python type."""
    if type(value) in PLAIN_TYPES:
        return value
    if isinstance(value, Decimal):
        return format(value.normalize(), "f")
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat(timespec="microseconds")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, uuid.UUID):
        return str(value)
    if isinstance(value, bytes | memoryview):
        return bytes(value).hex()
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(item) for item in value]
    return value


def row_content(row: TenantModel | Workshop) -> dict[str, Any]:
    """Every column of a row but its private ones, with a commitment to personal data."""
    private = getattr(row, "private_fields", ())
    content = {
        field.attname: plain(getattr(row, field.attname))
        for field in row._meta.concrete_fields
        if field.name not in private
    }
    salt = getattr(row, "commitment_salt", b"")
    if salt:
        content["commitment"] = commitment(row, bytes(salt))
    return content


def commitment(row: TenantModel | Workshop, salt: bytes) -> str:
    """HMAC-SHA256 over a row's personal data, keyed with the row's own salt.

    When the person is to be forgotten, data and salt are erased; the commitment then tells nothing.
    """
    personal = {name: getattr(row, name) for name in COMMITTED_FIELDS if hasattr(row, name)}
    return hmac.new(salt, canonical_json(plain(personal)), hashlib.sha256).hexdigest()


def append(
    actor: Actor,
    kind: str,
    record: TenantModel | Workshop,
    *,
    vehicle: Vehicle | None = None,
    rows: Iterable[TenantModel] = (),
    facts: Mapping[str, object] | None = None,
) -> LedgerEntry:
    """Append one entry: `record` is what the step is about, `rows` what else it recorded or changed."""
    book = vehicle.pk if vehicle else actor.workshop_id
    sequence, previous_hash = _next_place(book)
    entry = LedgerEntry(
        workshop_id=actor.workshop_id,
        book=book,
        vehicle=vehicle,
        sequence=sequence,
        recorded_at=actor.now,
        device_at=actor.device_at,
        clock_offset_ms=round(actor.clock_offset.total_seconds() * 1000) if actor.device_at else None,
        actor=actor.membership_id,
        roles=sorted(actor.roles),
        kind=kind,
        record_type=record._meta.label_lower,
        record_id=record.pk,
        payload=_payload([record, *rows], facts or {}),
        previous_hash=previous_hash,
    )
    entry.hash = entry_hash(entry)
    entry.save(force_insert=True)
    ask_for_checkpoint(actor)
    return entry


def ask_for_checkpoint(actor: Actor) -> None:
    """Have the entries that there are by then taken into the tree before long."""
    outbox.append_unless_waiting(
        actor, CHECKPOINT_KIND, due_at=actor.now + CHECKPOINT_AFTER, not_before=actor.now + LONGEST_STEP
    )


def entry_hash(entry: LedgerEntry) -> str:
    """SHA-256 over the canonical JSON of everything in the entry but this hash."""
    content = row_content(entry)
    del content["hash"]
    return hashlib.sha256(canonical_json(content)).hexdigest()


def _payload(rows: Iterable[TenantModel | Workshop], facts: Mapping[str, object]) -> dict[str, Any]:
    by_table: dict[str, list[dict[str, Any]]] = {}
    for row in rows:
        by_table.setdefault(row._meta.label_lower, []).append(row_content(row))
    canonical: dict[str, Any] = json.loads(canonical_json({"rows": by_table, "facts": plain(facts)}))
    return canonical


def _next_place(book: uuid.UUID) -> tuple[int, str]:
    """Lock the book for this transaction and find the next sequence and the hash to chain to.

    The lock is a statement of its own: the next statement's snapshot then sees what the last holder committed.
    """
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(hashtextextended(%s, 0))", [str(book)])
        cursor.execute(
            "SELECT sequence, hash FROM fleet_ledgerentry WHERE book = %s ORDER BY sequence DESC LIMIT 1",
            [book],
        )
        last = cursor.fetchone()
    return (last[0] + 1, last[1]) if last else (1, FIRST_PREVIOUS_HASH)
