"""Whether the ledgers of all workshops are whole. Needs a role that row-level security does not bind."""

from __future__ import annotations

from fleet.ledger import FIRST_PREVIOUS_HASH, entry_hash
from fleet.models import LedgerEntry


def broken_entry(alias: str) -> str | None:
    """The first entry that does not follow its predecessor or hash to its hash; None where all do."""
    book, sequence, last_hash = None, 0, FIRST_PREVIOUS_HASH
    for entry in LedgerEntry.objects.using(alias).order_by("book", "sequence").iterator(chunk_size=2000):
        if entry.book != book:
            book, sequence, last_hash = entry.book, 0, FIRST_PREVIOUS_HASH
        follows = entry.sequence == sequence + 1 and entry.previous_hash == last_hash
        if not follows or entry_hash(entry) != entry.hash:
            return f"book {entry.book}, entry {entry.sequence}"
        sequence, last_hash = entry.sequence, entry.hash
    return None
