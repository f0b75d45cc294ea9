"""The proof that a certificate's file carries, where the workshop moved since it was issued.

An archive brings certificates as they were issued, with entry and head of the installation before; its ledger is
chained anew here. So the pages are those of the old proof, which has to hold as well, and to be of the entry that came.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from io import BytesIO
from typing import Any
from uuid import UUID

import pikepdf

from fleet.canonical import canonical
from fleet.checkpoint_keys import known_keys, origin_of
from fleet.signed_heads import HeadError, stated, verified

from ..certificate.proof import FILE_NAME, Proof, proof_in
from ..models import CertificateFile
from .result import UNKNOWN_KEY, NotProvenError


def proof_on_pages(file: CertificateFile, proof: Proof) -> Proof:
    """`proof` is the one by this installation's ledger, and also the file's unless an archive brought it."""
    hashes = set(_hashes_before(proof.entry["payload"].get("taken_in")))
    if not hashes:
        return proof
    try:
        carried = _attached(bytes(file.pdf))
    except (pikepdf.PdfError, KeyError, TypeError, ValueError):
        raise NotProvenError("The file does not carry its record as an attachment.") from None
    if carried.entry["hash"] == proof.entry["hash"]:
        return proof
    if carried.entry["hash"] not in hashes:
        raise NotProvenError("The ledger entry within its file is none that the archive brought.")
    _require_holds(carried)
    return carried


def _hashes_before(taken_in: Mapping[str, Any] | None) -> Iterator[str]:
    """Of the same entry in the ledgers that it came from, the last one first."""
    while taken_in:
        yield taken_in["hash"]
        taken_in = taken_in.get("before")


def _attached(pdf: bytes) -> Proof:
    with pikepdf.open(BytesIO(pdf)) as opened:
        return proof_in(json.loads(opened.attachments[FILE_NAME].get_file().read_bytes()))


def _require_holds(carried: Proof) -> None:
    """From the entry's content to the signature over the head of its tree."""
    content = {name: value for name, value in carried.entry.items() if name != "hash"}
    if hashlib.sha256(canonical(content)).hexdigest() != carried.entry["hash"]:
        raise NotProvenError("The ledger entry within its file has another hash than its own.")
    try:
        head = stated(carried.checkpoint)
        root = carried.root(head.size)
    except ValueError as error:
        raise NotProvenError(f"The signed head within its file does not hold: {error}.") from None
    if root != head.root or head.origin != origin_of(UUID(content["workshop_id"])):
        raise NotProvenError("The ledger entry within its file is not among the leaves of the head there.")
    try:
        verified(carried.checkpoint, known_keys())
    except HeadError:
        raise NotProvenError(UNKNOWN_KEY) from None
