"""The ways in which somebody might alter a certificate's file, one function each, and how often each is tried.

Bytes (`byte_kinds`), then revisions, then records in files that are signed again: by a stranger with a key of their
own, or by an insider with the service's. None where chance led to nothing that differs.
"""

from __future__ import annotations

import hashlib
import io
import json
import random
from dataclasses import dataclass
from typing import Any, Final

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from pyhanko.pdf_utils.generic import NumberObject, pdf_name, pdf_string
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter

from fleet.canonical import canonical
from fleet.signed_heads import Head, signed, verified, verifier_key
from tests.campaigns.alterations.values import another

from .byte_kinds import (
    Altered,
    Kind,
    appended,
    bit_flipped,
    byte_changed,
    byte_of_page_changed,
    byte_of_structure_changed,
    bytes_blanked,
    bytes_deleted,
    bytes_doubled,
    bytes_inserted,
    digest_repaired,
    put_before,
    range_changed,
    record_changed_in_place,
    truncated,
)
from .making import Signer, new_signer, record_of, with_record
from .making import signed as signed_file
from .miniature import WORKSHOP, Original, proved

STRANGER: Final = new_signer("Somebody else")
STRANGERS_HEADS: Final = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))


# --- Revisions ------------------------------------------------------------------------------------------------------


def revision_appended(original: Original, rng: random.Random) -> Altered | None:
    """Other pages, or other words about the file, in a revision that no signature covers."""
    writer = IncrementalPdfFileWriter(io.BytesIO(original.pdf))
    page = writer.root["/Pages"]["/Kids"][0]
    if rng.random() < 0.5:
        page["/Rotate"] = NumberObject(180)  # type: ignore[no-untyped-call]
        writer.mark_update(page.get_container_ref())
    else:
        writer.root[pdf_name("/Lang")] = pdf_string(f"x{rng.randrange(1000)}")
        writer.update_root()  # type: ignore[no-untyped-call]
    target = io.BytesIO()
    writer.write(target)  # type: ignore[no-untyped-call]
    return Altered(target.getvalue())


def signed_twice_by_insider(original: Original, rng: random.Random) -> Altered | None:
    once = _remade(original, record_of(original.pdf), original.insider.signer)
    return Altered(signed_file(once, original.insider.signer, field="Another"))


def signed_twice_by_stranger(original: Original, rng: random.Random) -> Altered | None:
    once = _remade(original, record_of(original.pdf), original.insider.signer)
    return Altered(signed_file(once, STRANGER, field="Another"))


# --- Records, in files that are signed again ------------------------------------------------------------------------


def _remade(original: Original, record: bytes, signer: Signer, others: tuple[str, ...] = ()) -> bytes:
    return signed_file(with_record(original.pdf, record, others=others), signer)


def _by(original: Original, signer: Signer, record: Any) -> Altered | None:
    written = canonical(record)
    return None if written == record_of(original.pdf) else Altered(_remade(original, written, signer))


def _record(original: Original) -> dict[str, Any]:
    record: dict[str, Any] = json.loads(record_of(original.pdf))
    return record


def signed_by_stranger(original: Original, rng: random.Random) -> Altered | None:
    return Altered(_remade(original, record_of(original.pdf), STRANGER))


def document_altered_by_stranger(original: Original, rng: random.Random) -> Altered | None:
    record = _record(original)
    return _by(original, STRANGER, {**record, "document": another(record["document"], rng)})


def document_altered_by_insider(original: Original, rng: random.Random) -> Altered | None:
    record = _record(original)
    return _by(original, original.insider.signer, {**record, "document": another(record["document"], rng)})


def layout_altered_by_insider(original: Original, rng: random.Random) -> Altered | None:
    record = _record(original)
    return _by(original, original.insider.signer, {**record, "renderer_version": another("12", rng)})


def _document_and_entry(original: Original, rng: random.Random) -> dict[str, Any] | None:
    """Another document, and the entry made to name it."""
    record = _record(original)
    told = another(record["document"], rng)
    if told == record["document"]:
        return None
    entry = record["entry"]
    facts = {**entry["payload"]["facts"], "snapshot_sha256": hashlib.sha256(canonical(told)).hexdigest()}
    return {**record, "document": told, "entry": {**entry, "payload": {**entry["payload"], "facts": facts}}}


def _hashed_anew(record: dict[str, Any]) -> dict[str, Any]:
    content = {name: each for name, each in record["entry"].items() if name != "hash"}
    return {**record, "entry": {**content, "hash": hashlib.sha256(canonical(content)).hexdigest()}}


def entry_altered_by_insider(original: Original, rng: random.Random) -> Altered | None:
    record = _document_and_entry(original, rng)
    return _by(original, original.insider.signer, record) if record else None


def entry_field_altered_by_insider(original: Original, rng: random.Random) -> Altered | None:
    record = _record(original)
    return _by(original, original.insider.signer, {**record, "entry": another(record["entry"], rng)})


def entry_hashed_anew_by_insider(original: Original, rng: random.Random) -> Altered | None:
    record = _document_and_entry(original, rng)
    return _by(original, original.insider.signer, _hashed_anew(record)) if record else None


def tree_made_anew_by_insider(original: Original, rng: random.Random) -> Altered | None:
    """A chain that fits together from the document to a head, under the signature of the head that there was."""
    record = _document_and_entry(original, rng)
    if record is None:
        return None
    record = _hashed_anew(record)
    proof = _proved_for(record, STRANGERS_HEADS)
    signature = record["checkpoint"].partition("\n\n")[2]
    text = proof["checkpoint"].partition("\n\n")[0]
    return _by(
        original,
        original.insider.signer,
        {**record, **proof, "checkpoint": f"{text}\n\n{signature}", "verifier_key": record["verifier_key"]},
    )


def all_made_anew_by_stranger(original: Original, rng: random.Random) -> Altered | None:
    """With keys of their own throughout: a service that calls itself by the same name."""
    record = _document_and_entry(original, rng)
    if record is None:
        return None
    facts = {**record["entry"]["payload"]["facts"], "signing_certificate_sha256": STRANGER.sha256}
    record["entry"]["payload"]["facts"] = facts
    record = _hashed_anew(record)
    altered = _by(original, STRANGER, {**record, **_proved_for(record, STRANGERS_HEADS)})
    return altered and Altered(altered.pdf, by_key_only=True)


def _proved_for(record: dict[str, Any], key: Ed25519PrivateKey, origin: str = "") -> dict[str, Any]:
    workshop = record["entry"]["workshop_id"]
    return proved(record["entry"]["hash"], key, origin=origin or f"levelbook/workshops/{workshop}")


def proof_altered_by_insider(original: Original, rng: random.Random) -> Altered | None:
    record = _record(original)
    inclusion = record["inclusion"]
    altered = another(inclusion, rng)
    if rng.random() < 0.2 and len(inclusion["path"]) > 1:
        altered = {**inclusion, "path": inclusion["path"][::-1]}
    return _by(original, original.insider.signer, {**record, "inclusion": altered})


def head_altered_by_insider(original: Original, rng: random.Random) -> Altered | None:
    record = _record(original)
    return _by(original, original.insider.signer, {**record, "checkpoint": another(record["checkpoint"], rng)})


def head_of_other_workshop(original: Original, rng: random.Random) -> Altered | None:
    """Signed with the service's own key, which signs the heads of all its workshops."""
    record = _record(original)
    heads = original.insider.heads
    head = verified(record["checkpoint"], [heads.public_key()])
    origin = f"levelbook/workshops/{WORKSHOP[:-2]}{rng.randrange(16, 256):02x}"
    other = Head(origin, head.size, head.root, head.made_at, head.after)
    taken = {"checkpoint": signed(other, heads), "verifier_key": verifier_key(origin, heads.public_key())}
    return _by(original, original.insider.signer, {**record, **taken})


def verifier_key_altered_by_insider(original: Original, rng: random.Random) -> Altered | None:
    record = _record(original)
    origin = record["checkpoint"].split("\n")[0]
    other = verifier_key(origin, STRANGERS_HEADS.public_key())
    key = rng.choice((other, another(record["verifier_key"], rng)))
    return _by(original, original.insider.signer, {**record, "verifier_key": key})


def members_altered_by_insider(original: Original, rng: random.Random) -> Altered | None:
    record = _record(original)
    name = rng.choice(sorted(record))
    without = {each: value for each, value in record.items() if each != name}
    changed = rng.choice((without, {**record, "more": 1}, {**record, name: None}, {**record, "format": "other/1"}))
    return _by(original, original.insider.signer, changed)


def written_otherwise_by_insider(original: Original, rng: random.Random) -> Altered | None:
    """The same record in other bytes, or one that readers read in two ways."""
    record, written = _record(original), record_of(original.pdf)
    backwards = dict(reversed(record.items()))
    ways = (
        json.dumps(record).encode(),
        json.dumps(backwards, separators=(",", ":"), ensure_ascii=False).encode(),
        written + b"\n",
        written[:-1] + b',"format":"levelbook-certificate/1"}',
        b'{"document":{},' + written[1:],
    )
    return Altered(_remade(original, rng.choice(ways), original.insider.signer))


def attachment_added_by_insider(original: Original, rng: random.Random) -> Altered | None:
    name = rng.choice(("another.json", "a.txt", "zz.json"))
    return Altered(_remade(original, record_of(original.pdf), original.insider.signer, others=(name,)))


@dataclass(frozen=True)
class Weighed:
    kind: Kind
    weight: int


KINDS: Final = tuple(
    Weighed(kind, weight)
    for kind, weight in (
        (byte_changed, 20),
        (bit_flipped, 20),
        (byte_of_structure_changed, 10),
        (byte_of_page_changed, 4),
        (bytes_deleted, 5),
        (bytes_inserted, 5),
        (bytes_blanked, 4),
        (bytes_doubled, 3),
        (truncated, 5),
        (appended, 4),
        (put_before, 1),
        (record_changed_in_place, 8),
        (range_changed, 4),
        (digest_repaired, 3),
        (revision_appended, 2),
        (signed_twice_by_insider, 1),
        (signed_twice_by_stranger, 1),
        (signed_by_stranger, 1),
        (document_altered_by_stranger, 2),
        (document_altered_by_insider, 3),
        (layout_altered_by_insider, 1),
        (entry_altered_by_insider, 1),
        (entry_field_altered_by_insider, 2),
        (entry_hashed_anew_by_insider, 1),
        (tree_made_anew_by_insider, 1),
        (all_made_anew_by_stranger, 1),
        (proof_altered_by_insider, 2),
        (head_altered_by_insider, 2),
        (head_of_other_workshop, 1),
        (verifier_key_altered_by_insider, 1),
        (members_altered_by_insider, 1),
        (written_otherwise_by_insider, 1),
        (attachment_added_by_insider, 1),
    )
)
