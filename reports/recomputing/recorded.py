"""What the ledger says of a certificate: what was to be issued, what was, and that a signed head includes it."""

from __future__ import annotations

import hashlib
from typing import Final

from fleet.canonical import canonical
from fleet.checkpoint_keys import known_keys
from fleet.errors import NotFound
from fleet.history import rows_of
from fleet.ledger import entry_hash
from fleet.models import LedgerEntry
from fleet.signed_heads import HeadError, verified

from ..certificate.proof import Proof
from ..models import Certificate, CertificateFile
from ..selectors.proofs import ISSUED, proof_of
from .result import UNKNOWN_KEY, NotProvenError

FIRST_SIGNED: Final = 7
"""The first renderer version whose files are signed."""


def proof_in_order(certificate: Certificate) -> Proof:
    """The proof of its entry, recomputed from entry to signature."""
    try:
        proof = proof_of(certificate)
    except NotFound:
        raise NotProvenError("No entry of the vehicle's ledger with a place in the tree prepared it.") from None
    except HeadError:
        raise NotProvenError(UNKNOWN_KEY) from None
    try:
        head = verified(proof.checkpoint, known_keys())
        root = proof.root(head.size)
    except ValueError as error:
        raise NotProvenError(f"The signed head that includes its entry does not hold: {error}.") from None
    if root != head.root:
        raise NotProvenError("Its entry is not among the leaves of the signed head that its file names.")
    return proof


def require_issued(certificate: Certificate, file: CertificateFile) -> None:
    """That the entry of its issue holds, and says of its snapshot and its file what these are."""
    issued = LedgerEntry.objects.filter(book=certificate.vehicle_id, kind=ISSUED, record_id=certificate.pk).first()
    if issued is None:
        raise NotProvenError("No entry of the vehicle's ledger says that it was issued.")
    _require_own_hash(issued)
    told = next((row for row in rows_of(issued, file._meta.label_lower) if row["id"] == str(file.pk)), {})
    if not _sha256(canonical(file.snapshot)) == file.snapshot_sha256 == told.get("snapshot_sha256"):
        raise NotProvenError("The stored document is not the one whose SHA-256 the ledger holds.")
    if not _sha256(bytes(file.pdf)) == file.sha256 == told.get("sha256"):
        raise NotProvenError("The stored PDF is not the one whose SHA-256 the ledger holds.")
    if file.renderer_version != told.get("renderer_version"):
        raise NotProvenError("Another renderer version drew it by the ledger than by its own record.")


def was_signed(file: CertificateFile) -> bool:
    """Whether it was issued since files are signed and carry their proof."""
    return int(file.renderer_version) >= FIRST_SIGNED


def require_prepared(file: CertificateFile, proof: Proof) -> None:
    """That the entry by which it was prepared holds, and foretold the same snapshot."""
    prepared = LedgerEntry.objects.get(pk=proof.entry["id"])
    _require_own_hash(prepared)
    if prepared.payload["facts"]["snapshot_sha256"] != file.snapshot_sha256:
        raise NotProvenError("It was prepared with another document than it was issued with.")


def _require_own_hash(entry: LedgerEntry) -> None:
    if entry_hash(entry) != entry.hash:
        raise NotProvenError(f"Entry {entry.sequence} of the vehicle's ledger has another hash than its own.")


def _sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
