"""A real proof of an invented ledger entry: among five entries, under a head signed with a known key."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any, Final

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from fleet import merkle
from fleet.canonical import canonical
from fleet.signed_heads import Head, signed, verifier_key
from reports.certificate.proof import Proof

WORKSHOP: Final = "01a20f2c-0000-7000-8000-000000000001"
VEHICLE: Final = "01a20f2c-0000-7000-8000-000000000002"
CERTIFICATE: Final = "01a20f2c-0000-7000-8000-000000000003"
ORIGIN: Final = f"levelbook/workshops/{WORKSHOP}"
KEY: Final = Ed25519PrivateKey.from_private_bytes(b"k" * 32)
AT: Final = datetime(2026, 10, 6, 9, 47, tzinfo=UTC)


def sample_proof(snapshot: Mapping[str, Any]) -> Proof:
    entry = _entry(hashlib.sha256(canonical(dict(snapshot))).hexdigest())
    leaves = [bytes([number]) * 32 for number in range(4)] + [bytes.fromhex(entry["hash"])]
    tree = merkle.GrowingTree()
    nodes: dict[merkle.Place, bytes] = {}
    for index, leaf in enumerate(leaves):
        for level, node in enumerate(tree.append(merkle.leaf_hash(leaf))):
            nodes[level, index >> level] = node
    path = merkle.inclusion_path(4, 5, lambda level, index: nodes[level, index])
    return Proof(
        entry=entry,
        leaf_index=4,
        path=tuple(node.hex() for node in path),
        checkpoint=signed(Head(ORIGIN, 5, tree.root(), AT, 3), KEY),
        verifier_key=verifier_key(ORIGIN, KEY.public_key()),
    )


def _entry(snapshot_sha256: str) -> dict[str, Any]:
    content: dict[str, Any] = {
        "id": "01a20f2c-0000-7000-8000-000000000004",
        "workshop_id": WORKSHOP,
        "book": VEHICLE,
        "vehicle_id": VEHICLE,
        "sequence": 213,
        "recorded_at": AT.isoformat(timespec="microseconds"),
        "device_at": None,
        "clock_offset_ms": None,
        "actor": None,
        "roles": [],
        "kind": "certificate_prepared",
        "record_type": "reports.certificate",
        "record_id": CERTIFICATE,
        "payload": {
            "rows": {"reports.certificate": [{"id": CERTIFICATE, "number": 42}]},
            "facts": {
                "snapshot_sha256": snapshot_sha256,
                "renderer_version": "7",
                "signing_certificate_sha256": "5" * 64,
            },
        },
        "previous_hash": "9" * 64,
    }
    return {**content, "hash": hashlib.sha256(canonical(content)).hexdigest()}
