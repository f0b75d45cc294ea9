"""The ledger: one append-only, hash-chained book per vehicle, and one per workshop for set-up.

Each entry carries the full content of the rows that the step recorded or changed, as canonical JSON
(RFC 8785), so that every row can later be compared with what its last entry says. Personal data stay out:
a model's `private_fields` are left away, and a salted commitment stands for a person's or operator's name.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import re
import uuid
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any, Final

import rfc8785
from django.db import OperationalError, connection
from django.utils.translation import gettext as _

from . import outbox
from .actor import Actor
from .canonical import canonical
from .errors import Unavailable
from .models import LedgerEntry, TenantModel, Vehicle, Workshop

FIRST_PREVIOUS_HASH = "0" * 64
CHECKPOINT_KIND: Final = "fleet.checkpoint"
CHECKPOINT_AFTER: Final = timedelta(minutes=2)
"""How long an entry waits at most until it is asked to be taken into the tree (`fleet.services.checkpoints`)."""
LONGEST_STEP: Final = timedelta(seconds=45)
"""A step commits within this time of its entry: work that is due no earlier sees the entry."""
PLAIN_TYPES: Final = frozenset({bool, float, int, str, type(None)})
_MAYBE_TOO_LARGE: Final = re.compile(rb"[:\[,]-?[0-9]{16,}[,}\]]")
COMMITTED_FIELDS = ("name", "email", "address", "telephone")


def plain(value: object) -> Any:
    """A value as JSON can carry it: one form for equal values, whatever their Python type.

    >>> plain(Decimal("486.50")), plain(Decimal("-0.0"))
    ('486.5', '0')
    """
    if type(value) in PLAIN_TYPES:
        return value
    if isinstance(value, Decimal):
        return format(value.normalize() + 0, "f")  # a database keeps no zero with a sign
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
    return hmac.new(salt, canonical(plain(personal)), hashlib.sha256).hexdigest()


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
    entry = _entry(
        actor, Step(kind, record, vehicle, list(rows), facts or {}), book, _next_place(actor.workshop_id, book)
    )
    entry.save(force_insert=True)
    ask_for_checkpoint(actor)
    return entry


@dataclass(frozen=True)
class Step:
    """What one of several entries is to say, as the arguments of `append`."""

    kind: str
    record: TenantModel | Workshop
    vehicle: Vehicle | None
    rows: Sequence[TenantModel] = ()
    facts: Mapping[str, object] = field(default_factory=dict)


def append_each(actor: Actor, steps: Sequence[Step]) -> None:
    """Append an entry for each step, in their order, with few queries however many there are.

    The books are locked in the order of their ids, so that two that append to the same ones wait and never lock up.
    """
    places = _next_places(actor.workshop_id, {_book(actor, step) for step in steps})
    entries = []
    for step in steps:
        book = _book(actor, step)
        entry = _entry(actor, step, book, places[book])
        places[book] = (entry.sequence + 1, entry.hash)
        entries.append(entry)
    LedgerEntry.objects.bulk_create(entries, batch_size=200)
    if entries:
        ask_for_checkpoint(actor)


def _book(actor: Actor, step: Step) -> uuid.UUID:
    return step.vehicle.pk if step.vehicle else actor.workshop_id


def _entry(actor: Actor, step: Step, book: uuid.UUID, place: tuple[int, str]) -> LedgerEntry:
    sequence, previous_hash = place
    entry = LedgerEntry(
        workshop_id=actor.workshop_id,
        book=book,
        vehicle=step.vehicle,
        sequence=sequence,
        recorded_at=actor.now,
        device_at=actor.device_at,
        clock_offset_ms=round(actor.clock_offset.total_seconds() * 1000) if actor.device_at else None,
        actor=actor.membership_id,
        roles=sorted(actor.roles),
        kind=step.kind,
        record_type=step.record._meta.label_lower,
        record_id=step.record.pk,
        payload=_payload([step.record, *step.rows], step.facts),
        previous_hash=previous_hash,
    )
    entry.hash = entry_hash(entry)
    return entry


def ask_for_checkpoint(actor: Actor) -> None:
    """Have the entries that there are by then taken into the tree before long."""
    outbox.append_unless_waiting(
        actor, CHECKPOINT_KIND, due_at=actor.now + CHECKPOINT_AFTER, not_before=actor.now + LONGEST_STEP
    )


def entry_hash(entry: LedgerEntry) -> str:
    """SHA-256 over the canonical JSON of everything in the entry but this hash."""
    payload, entry.payload = entry.payload, None  # JSON already, and long
    content = row_content(entry) | {"payload": payload}
    entry.payload = payload
    del content["hash"]
    return hashlib.sha256(canonical(content)).hexdigest()


def _payload(rows: Iterable[TenantModel | Workshop], facts: Mapping[str, object]) -> dict[str, Any]:
    by_table: dict[str, list[dict[str, Any]]] = {}
    for row in rows:
        by_table.setdefault(row._meta.label_lower, []).append(row_content(row))
    content = {"rows": by_table, "facts": plain(facts)}
    text = canonical(content)
    if _MAYBE_TOO_LARGE.search(text):
        text = rfc8785.dumps(content)  # refuses whole numbers that no JSON reader has to keep exactly
    payload: dict[str, Any] = json.loads(text)
    return payload


def keep_others_out(workshop_id: uuid.UUID) -> None:
    """Wait until no step is under way in the workshop; until this transaction is over, others are told to come back.

    For what puts a whole workshop's records in place: it begins with what everybody else has recorded, and nobody
    records among it. Take it before any other lock: a step under way may wait for one. A step that hangs ends the wait
    after `LONGEST_STEP`, and the transaction: others are kept out from when the wait begins.
    """
    with connection.cursor() as cursor:
        cursor.execute("SELECT set_config('lock_timeout', %s, true)", [f"{LONGEST_STEP.total_seconds()}s"])
        try:
            cursor.execute("SELECT pg_advisory_xact_lock(hashtextextended(%s, 0))", [_writers(workshop_id)])
        except OperationalError as error:
            detail = _("A step that began before has not ended. Look for a program that hangs, then try again.")
            raise Unavailable(detail, code="step_under_way") from error
        cursor.execute("SET LOCAL lock_timeout TO DEFAULT")


def _writers(workshop_id: uuid.UUID) -> str:
    """Name of the lock that every step shares."""
    return f"writers of {workshop_id}"


NEXT_PLACE_SQL: Final = "SELECT sequence, hash FROM fleet_ledgerentry WHERE book = %s ORDER BY sequence DESC LIMIT 1"


def _next_place(workshop_id: uuid.UUID, book: uuid.UUID) -> tuple[int, str]:
    """Lock the book for this transaction and find the next sequence and the hash to chain to."""
    _lock(workshop_id, [book])
    with connection.cursor() as cursor:
        cursor.execute(NEXT_PLACE_SQL, [book])
        last = cursor.fetchone()
    return (last[0] + 1, last[1]) if last else (1, FIRST_PREVIOUS_HASH)


NEXT_PLACES_SQL: Final = """
    SELECT book, entry.sequence, entry.hash FROM unnest(%s::uuid[]) AS book, LATERAL (
        SELECT sequence, hash FROM fleet_ledgerentry WHERE fleet_ledgerentry.book = book.book
        ORDER BY sequence DESC LIMIT 1
    ) AS entry
"""


def _next_places(workshop_id: uuid.UUID, books: Collection[uuid.UUID]) -> dict[uuid.UUID, tuple[int, str]]:
    """As `_next_place`, of several books at once."""
    ordered = sorted(books)
    _lock(workshop_id, ordered)
    with connection.cursor() as cursor:
        cursor.execute(NEXT_PLACES_SQL, [ordered])
        last = {book: (sequence + 1, previous) for book, sequence, previous in cursor.fetchall()}
    return {book: last.get(book, (1, FIRST_PREVIOUS_HASH)) for book in ordered}


LOCK_SQL: Final = """
    SELECT pg_advisory_xact_lock(hashtextextended(book, 0)) FROM unnest(%s::text[]) AS book
    WHERE pg_try_advisory_xact_lock_shared(hashtextextended(%s, 0))
"""


def _lock(workshop_id: uuid.UUID, books: Sequence[uuid.UUID]) -> None:
    """Lock books in this order, for this transaction; refused at once where somebody keeps others out.

    A statement of its own: the next statement's snapshot then sees what the last holder committed.
    """
    with connection.cursor() as cursor:
        cursor.execute(LOCK_SQL, [[str(book) for book in books], _writers(workshop_id)])
        if cursor.rowcount < len(books):
            detail = _("An archive is being taken in by this workshop. Nothing was stored. Try again in a minute.")
            raise Unavailable(detail, code="archive_being_taken_in", retry_after_s=60)
