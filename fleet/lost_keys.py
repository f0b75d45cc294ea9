"""Heads whose signing key is lost, public half and all: what the ledger says of them once another key took its place.

Nothing proves any more who signed such heads. What they say is still held against the tree; and the ledger's entry,
which is itself under a head of the new key, names the SHA-256 over all of them as they were when that was accepted.
Pure: heads and keys are handed in.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from .signed_heads import HeadError, stated, verified

ACCEPTED: Final = "new_signing_key_accepted"
"""Kind of the ledger's entry."""


@dataclass(frozen=True, slots=True)
class LostKey:
    """`size` of the newest head that no known key signed, and the SHA-256 over it and all heads before it."""

    size: int
    notes_sha256: str

    @classmethod
    def of(cls, notes: Mapping[int, str], keys: Sequence[Ed25519PublicKey]) -> LostKey | None:
        """Of stored heads, by their sizes; None where known keys signed all of them."""
        unknown = [size for size, note in notes.items() if not _is_signed(note, keys)]
        return cls(max(unknown), _digest(notes, max(unknown))) if unknown else None

    @classmethod
    def told(cls, facts: Any) -> LostKey | None:
        """What an entry says; None where it says nothing of the kind."""
        said = facts.get("heads") if isinstance(facts, dict) else None
        if not isinstance(said, dict) or not isinstance(said.get("size"), int):
            return None
        return cls(said["size"], str(said.get("notes_sha256")))

    def as_facts(self) -> dict[str, Any]:
        return {"heads": {"size": self.size, "notes_sha256": self.notes_sha256}}

    def covers(self, notes: Mapping[int, str]) -> bool:
        """Whether the heads up to its size are those of which it was said."""
        return _digest(notes, self.size) == self.notes_sha256


def _is_signed(note: str, keys: Iterable[Ed25519PublicKey]) -> bool:
    stated(note)
    try:
        verified(note, keys)
    except HeadError:
        return False
    return True


def _digest(notes: Mapping[int, str], until: int) -> str:
    kept = [notes[size] for size in sorted(notes) if size <= until]
    return hashlib.sha256("\0".join(kept).encode()).hexdigest()
