"""Ledger entries become leaves of the workshop's Merkle tree, and its heads are signed."""

from __future__ import annotations

from datetime import UTC
from typing import Final

from django.db import connection
from django.db.models import Exists, OuterRef, QuerySet

from fleet import ledger, merkle, outbox
from fleet.actor import Actor
from fleet.checkpoint_keys import origin_of, signing_key
from fleet.ids import new_id
from fleet.models import Checkpoint, LedgerEntry, LedgerLeaf
from fleet.selectors.ledger_tree import newest_checkpoint, stored_tree
from fleet.signed_heads import Head, signed

MOST_AT_ONCE: Final = 20_000
"""Entries taken in by one piece of background work, some seconds' worth."""
ROWS_A_STATEMENT: Final = 2_000


def checkpoint_make(*, actor: Actor, at_most: int | None = None) -> Checkpoint | None:
    """Take in every entry that is no leaf yet, those of the running transaction among them, and sign the head.

    Gives the newest head, which is the one there was where nothing is new; None of a workshop without entries.
    One writer for each workshop: another one waits until this transaction is over.
    """
    _be_the_only_writer(actor)
    tree = stored_tree()
    _take_in(tree, _not_taken_in()[:at_most])
    newest = newest_checkpoint()
    if tree.size == _size(newest):
        return newest
    return _signed(actor, tree, after=_size(newest))


def checkpoint_make_due(*, actor: Actor) -> None:
    """The same as background work, a piece at a time. Whatever was taken in, it looks once more later: an entry of a
    step that took unusually long becomes visible only when that commits."""
    before, after = _size(newest_checkpoint()), _size(checkpoint_make(actor=actor, at_most=MOST_AT_ONCE))
    if after - before >= MOST_AT_ONCE:
        outbox.append(actor, ledger.CHECKPOINT_KIND, {})
    elif after > before:
        ledger.ask_for_checkpoint(actor)


def _size(checkpoint: Checkpoint | None) -> int:
    return checkpoint.size if checkpoint else 0


def _be_the_only_writer(actor: Actor) -> None:
    """A statement of its own: the next one's snapshot then sees the leaves that the last holder committed."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(hashtextextended(%s, 0))", [f"tree of {actor.workshop_id}"])


def _not_taken_in() -> QuerySet[LedgerEntry]:
    """Never those after the last one: ids and times do not tell in which order transactions commit."""
    return LedgerEntry.objects.filter(~Exists(LedgerLeaf.objects.filter(pk=OuterRef("pk")))).order_by("id")


def _take_in(tree: merkle.GrowingTree, entries: QuerySet[LedgerEntry]) -> None:
    leaves = [
        LedgerLeaf(
            id=entry_id,
            leaf_index=tree.size,
            nodes=b"".join(tree.append(merkle.leaf_hash(bytes.fromhex(entry_hash)))),
        )
        for entry_id, entry_hash in entries.values_list("pk", "hash")
    ]
    LedgerLeaf.objects.bulk_create(leaves, batch_size=ROWS_A_STATEMENT)


def _signed(actor: Actor, tree: merkle.GrowingTree, after: int) -> Checkpoint:
    head = Head(origin_of(actor.workshop_id), tree.size, tree.root(), actor.now.astimezone(UTC), after)
    return Checkpoint.objects.create(
        id=new_id(),
        size=head.size,
        root=head.root.hex(),
        made_at=head.made_at,
        note=signed(head, signing_key()),
    )
