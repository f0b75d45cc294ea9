"""Where a certificate stands in the workshop's records: its ledger entry, and the signed head that includes it.

The pages print short forms; the file carries all of it as the attachment `record.json`, by which anybody can check it
with nothing but the published schema (`schema/certificate-1.json`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from fleet.canonical import canonical
from fleet.merkle import leaf_hash, root_by_path

FORMAT: Final = "levelbook-certificate/1"
"""Raise the number with every change of the schema that is more than an addition."""
FILE_NAME: Final = "record.json"
_SHORT: Final = 16


@dataclass(frozen=True, slots=True)
class Proof:
    """That a ledger entry is a leaf of the tree with a signed head.

    `entry` is the entry as its hash is taken over, with `hash`; `path` are the nodes from the leaf upwards,
    hexadecimal; `checkpoint` is the head as signed text and `verifier_key` the public key in the form
    `name+hash+base64`.
    """

    entry: Mapping[str, Any]
    leaf_index: int
    path: tuple[str, ...]
    checkpoint: str
    verifier_key: str

    @property
    def sequence(self) -> int:
        return int(self.entry["sequence"])

    @property
    def short_hash(self) -> str:
        return _shortened(self.entry["hash"])

    @property
    def size(self) -> int:
        """How many entries the head is over."""
        return int(self.checkpoint.split("\n")[1])

    @property
    def short_root(self) -> str:
        """As the head's text writes it, base64."""
        return _shortened(self.checkpoint.split("\n")[2])

    def root(self, size: int) -> bytes:
        """Of the tree of this size in which the entry is its leaf. Raises `ValueError` where there is none."""
        leaf = leaf_hash(bytes.fromhex(self.entry["hash"]))
        return root_by_path(self.leaf_index, size, leaf, [bytes.fromhex(node) for node in self.path])


def record_json(snapshot: Mapping[str, Any], proof: Proof, renderer_version: str) -> bytes:
    """The attachment: canonical JSON (RFC 8785), so that equal content has equal bytes."""
    return canonical(
        {
            "format": FORMAT,
            "document": snapshot,
            "renderer_version": renderer_version,
            "entry": dict(proof.entry),
            "inclusion": {"leaf_index": proof.leaf_index, "path": list(proof.path)},
            "checkpoint": proof.checkpoint,
            "verifier_key": proof.verifier_key,
        }
    )


def proof_in(record: Mapping[str, Any]) -> Proof:
    """The proof in what `record_json` wrote. Raises `KeyError`, `TypeError` or `ValueError` of anything else."""
    return Proof(
        entry=record["entry"],
        leaf_index=int(record["inclusion"]["leaf_index"]),
        path=tuple(record["inclusion"]["path"]),
        checkpoint=record["checkpoint"],
        verifier_key=record["verifier_key"],
    )


def _shortened(text: str) -> str:
    return f"{text[:_SHORT]}…"
