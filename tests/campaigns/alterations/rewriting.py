"""History rewritten by somebody who knows how it is made: chains, tree and heads made anew over other content."""

from __future__ import annotations

import random
import uuid
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from django.db import connection
from psycopg.types.json import Jsonb

from fleet.ledger import FIRST_PREVIOUS_HASH, entry_hash
from fleet.merkle import GrowingTree, leaf_hash
from fleet.models import Checkpoint, LedgerEntry, LedgerLeaf
from fleet.signed_heads import Head, signed

from .values import another


def rewrite_entry(entry_id: uuid.UUID, rng: random.Random) -> bool:
    """Alter what an entry says, give it its hash and re-chain its book. False where nothing came out altered."""
    entry = LedgerEntry.objects.get(pk=entry_id)
    altered = another(entry.payload, rng)
    if altered == entry.payload:
        return False
    values: list[Any] = [Jsonb(altered), entry_id]
    with connection.cursor() as cursor:
        cursor.execute("UPDATE fleet_ledgerentry SET payload = %s WHERE id = %s", values)
    rechain(entry.book)
    return True


def rechain(book: uuid.UUID) -> None:
    last = FIRST_PREVIOUS_HASH
    for entry in LedgerEntry.objects.filter(book=book).order_by("sequence"):
        entry.previous_hash = last
        last = entry_hash(entry)
        with connection.cursor() as cursor:
            cursor.execute(
                "UPDATE fleet_ledgerentry SET previous_hash = %s, hash = %s WHERE id = %s",
                [entry.previous_hash, last, entry.pk],
            )


def regrow(workshop_id: uuid.UUID) -> dict[int, bytes]:
    """Make all leaves anew; gives the root at each size."""
    hashes = dict(LedgerEntry.objects.filter(workshop_id=workshop_id).values_list("pk", "hash"))
    tree, roots = GrowingTree(), {}
    for leaf in LedgerLeaf.objects.filter(workshop_id=workshop_id).order_by("leaf_index"):
        nodes = b"".join(tree.append(leaf_hash(bytes.fromhex(hashes[leaf.pk]))))
        roots[tree.size] = tree.root()
        with connection.cursor() as cursor:
            cursor.execute("UPDATE fleet_ledgerleaf SET nodes = %s WHERE id = %s", [nodes, leaf.pk])
    return roots


def resign(workshop_id: uuid.UUID, origin: str, roots: dict[int, bytes], key: Ed25519PrivateKey) -> None:
    """Make all heads anew with a key."""
    after = 0
    for head in Checkpoint.objects.filter(workshop_id=workshop_id).order_by("size"):
        note = signed(Head(origin, head.size, roots[head.size], head.made_at, after), key)
        after = head.size
        with connection.cursor() as cursor:
            cursor.execute(
                "UPDATE fleet_checkpoint SET root = %s, note = %s WHERE id = %s",
                [roots[head.size].hex(), note, head.pk],
            )
