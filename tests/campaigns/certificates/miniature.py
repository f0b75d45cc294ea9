"""Certificates without a service: a small tree, its head, a document, pages; all with keys that the test holds."""

from __future__ import annotations

import base64
import hashlib
import io
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from reportlab.pdfgen.canvas import Canvas

from fleet import merkle
from fleet.canonical import canonical
from fleet.signed_heads import ED25519, Head, signed, verifier_key

from . import making
from .making import Signer, with_record

WORKSHOP: Final = "0198c3f2-0000-7000-8000-000000000001"
ORIGIN: Final = f"levelbook/workshops/{WORKSHOP}"
FORMAT: Final = "levelbook-certificate/1"
LEAVES: Final = 11
INDEX: Final = 6
MADE_AT: Final = datetime(2026, 11, 26, 15, 20, tzinfo=UTC)


@dataclass(frozen=True)
class Insider:
    """Whoever holds the keys by which a service signs files and heads."""

    signer: Signer
    heads: Ed25519PrivateKey

    @property
    def verifier_key(self) -> str:
        """As `--key` takes it."""
        return base64.b64encode(ED25519 + self.heads.public_key().public_bytes_raw()).decode()


@dataclass(frozen=True)
class Original:
    """A file as it was issued, and who could make another."""

    pdf: bytes
    insider: Insider


def insider(signer: Signer | None = None) -> Insider:
    return Insider(signer or making.new_signer("A workshop"), Ed25519PrivateKey.generate())


def pages(text: str) -> bytes:
    target = io.BytesIO()
    canvas = Canvas(target, invariant=1, pageCompression=0)
    for number in (1, 2):
        canvas.drawString(72, 720, f"{text}, page {number} of 2")
        canvas.showPage()
    canvas.save()
    return target.getvalue()


def document(number: int) -> dict[str, Any]:
    heights = {corner: {"mean_mm": 486.25 + number, "within": True} for corner in ("FL", "FR", "RL", "RR")}
    return {
        "number": number,
        "verification_code": "7KQM-3XTD-9WPA-4GHZ",
        "verification_url": "http://127.0.0.1:8000/verify/7KQM3XTD9WPA4GHZ",
        "vehicle": {"vin": "0LBWSM002RS375013", "note": "Grüße – 車 𝄞"},
        "heights": heights,
        "probability": 1e-07,
        "remark": None,
    }


def record(number: int, keys: Insider) -> dict[str, Any]:
    """The attachment of certificate `number`."""
    told = document(number)
    entry: dict[str, Any] = {
        "id": f"0198c3f2-0000-7000-8000-00000000{number:04d}",
        "workshop_id": WORKSHOP,
        "sequence": number,
        "kind": "certificate_prepared",
        "record_type": "reports.certificate",
        "payload": {
            "rows": {"reports.certificate": [{"id": "1", "number": number}]},
            "facts": {
                "snapshot_sha256": hashlib.sha256(canonical(told)).hexdigest(),
                "renderer_version": "7",
                "signing_certificate_sha256": keys.signer.sha256,
            },
        },
        "previous_hash": "0" * 64,
    }
    entry["hash"] = hashlib.sha256(canonical(entry)).hexdigest()
    return {
        "format": FORMAT,
        "document": told,
        "renderer_version": "7",
        "entry": entry,
        **proved(entry["hash"], keys.heads),
    }


def proved(entry_hash: str, key: Ed25519PrivateKey, *, origin: str = ORIGIN) -> dict[str, Any]:
    """Proof, head and key for an entry among others."""
    hashes = [merkle.leaf_hash(hashlib.sha256(bytes([each])).digest()) for each in range(LEAVES)]
    hashes[INDEX] = merkle.leaf_hash(bytes.fromhex(entry_hash))
    tree = merkle.GrowingTree()
    completed = [tree.append(each) for each in hashes]

    def node(level: int, at: int) -> bytes:
        return completed[merkle.last_leaf((level, at))][level]

    head = Head(origin, LEAVES, tree.root(), MADE_AT, 0)
    return {
        "inclusion": {
            "leaf_index": INDEX,
            "path": [each.hex() for each in merkle.inclusion_path(INDEX, LEAVES, node)],
        },
        "checkpoint": signed(head, key),
        "verifier_key": verifier_key(origin, key.public_key()),
    }


def issued(number: int = 1, keys: Insider | None = None, *, is_packed: bool = False) -> Original:
    keys = keys or insider()
    unsigned = with_record(pages(f"Certificate {number}"), canonical(record(number, keys)), is_packed=is_packed)
    return Original(making.signed(unsigned, keys.signer), keys)
