"""Where a certificate stands in the ledger, from the tables."""

from __future__ import annotations

from typing import Final

from fleet.checkpoint_keys import known_keys, origin_of
from fleet.errors import NotFound
from fleet.ledger import row_content
from fleet.models import Checkpoint, LedgerEntry, LedgerLeaf
from fleet.selectors.ledger_tree import inclusion_proof
from fleet.signed_heads import HeadError, verified, verifier_key

from ..certificate.proof import Proof
from ..models import Certificate

PREPARED: Final = "certificate_prepared"
"""Kind of the entry that a certificate's file carries the proof of."""
ISSUED: Final = "certificate_issued"
"""Kind of the entry that tells of the file."""


def proof_of(certificate: Certificate) -> Proof:
    """The proof that its file carries: against the first head that includes the entry, which was made for it."""
    entry = LedgerEntry.objects.filter(book=certificate.vehicle_id, kind=PREPARED, record_id=certificate.pk).first()
    leaf_index = LedgerLeaf.objects.filter(pk=entry.pk).values_list("leaf_index", flat=True).first() if entry else None
    if entry is None or leaf_index is None:
        raise NotFound
    head = Checkpoint.objects.filter(size__gt=leaf_index).order_by("size").first()
    return proof_against(entry, head)


def proof_against(entry: LedgerEntry, head: Checkpoint | None) -> Proof:
    proof = inclusion_proof(entry, head.size if head else None)
    return Proof(
        entry=row_content(entry),
        leaf_index=proof.leaf_index,
        path=tuple(node.hex() for node in proof.path),
        checkpoint=proof.checkpoint.note,
        verifier_key=_signed_by(proof.checkpoint),
    )


def _signed_by(head: Checkpoint) -> str:
    """The public key, today's or one of before, by which the head is signed."""
    for key in known_keys():
        try:
            verified(head.note, [key])
        except HeadError:
            continue
        return verifier_key(origin_of(head.workshop_id), key)
    raise HeadError("none of the known keys signed it")
