"""Signed heads of a tree as text: C2SP tlog-checkpoint in a C2SP signed-note, signed with Ed25519 (RFC 8032).

    levelbook/workshops/0198c3f2-…        origin: which tree
    1284                                  its size
    q1Zx…=                                its root, base64
    made_at 2026-11-26T15:20:00.000000+00:00
    after 1250                            size of the head before it, 0 of the first

    — levelbook/workshops/0198c3f2-… base64(key hash ‖ signature)

The signature covers everything up to the empty line. The key's name is the origin, and its hash is the first four bytes
of SHA-256(name ‖ 0x0A ‖ 0x01 ‖ public key), so one key pair has another hash for each tree. The last two
lines of the text are extensions: programs that do not know them pass over them. They are there so that a head can be
dated, and a head that was taken away is missed. Sources: C2SP signed-note and tlog-checkpoint (read in the
specifications' repository). Pure: keys and times are handed in.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

ED25519: Final = b"\x01"
"""The kind of signature, in a signed note's keys."""
KEY_HASH_BYTES: Final = 4
DASH: Final = "—"
MADE_AT: Final = "made_at "
AFTER: Final = "after "
_VERIFIER_KEY: Final = re.compile(r"([^\s+]+)\+([0-9a-f]{8})\+(\S+)", re.ASCII)
_SIZE: Final = re.compile(r"0|[1-9][0-9]{0,18}", re.ASCII)


class HeadError(ValueError):
    """A text that is no signed head, or not one that a known key signed; says what is wrong."""


@dataclass(frozen=True, slots=True)
class Head:
    """What a head says: the tree, how many leaves it has, their root (32 bytes), when that was, and the size of the
    head before it."""

    origin: str
    size: int
    root: bytes
    made_at: datetime
    after: int

    @property
    def text(self) -> str:
        """What the signature covers."""
        root = base64.b64encode(self.root).decode()
        made_at = self.made_at.isoformat(timespec="microseconds")
        return f"{self.origin}\n{self.size}\n{root}\n{MADE_AT}{made_at}\n{AFTER}{self.after}\n"


def signed(head: Head, key: Ed25519PrivateKey) -> str:
    """The head with its signature, as it is handed out."""
    signature = key_hash(head.origin, key.public_key()) + key.sign(head.text.encode())
    return f"{head.text}\n{DASH} {head.origin} {base64.b64encode(signature).decode()}\n"


def stated(note: str) -> Head:
    """What a signed head says, whoever signed it. Raises `HeadError` where the text is none."""
    text, separator, signatures = note.partition("\n\n")
    if not separator or not signatures.endswith("\n"):
        raise HeadError("it has no empty line before its signatures, or no line end after them")
    text += "\n"
    head = _parsed(text)
    if head.text != text:
        raise HeadError("it is not written in the one form that a head has")
    return head


def verified(note: str, keys: Iterable[Ed25519PublicKey]) -> Head:
    """What a signed head says, where one of the keys signed it. Raises `HeadError` otherwise."""
    head = stated(note)
    signatures = note.partition("\n\n")[2]
    by_hash = {key_hash(head.origin, key): key for key in keys}
    if not any(_holds(line, head, by_hash) for line in signatures.split("\n")):
        raise HeadError("none of the known keys signed it")
    return head


def key_hash(name: str, key: Ed25519PublicKey) -> bytes:
    """First four bytes of SHA-256 over name and key, which a signature names its key by."""
    return hashlib.sha256(name.encode() + b"\n" + ED25519 + key.public_bytes_raw()).digest()[:KEY_HASH_BYTES]


def verifier_key(name: str, key: Ed25519PublicKey) -> str:
    """A public key as programs that check signed notes take it: `name+hash+base64`."""
    data = base64.b64encode(ED25519 + key.public_bytes_raw()).decode()
    return f"{name}+{key_hash(name, key).hex()}+{data}"


def public_key(verifier: str) -> Ed25519PublicKey:
    """The key within the form that `verifier_key` gives, or its base64 alone. Raises `HeadError` where it is none."""
    whole = _VERIFIER_KEY.fullmatch(verifier.strip())  # base64 has “+” as well
    raw = _decoded(whole[3] if whole else verifier.strip(), "the key")
    if raw[:1] != ED25519 or len(raw) != 1 + 32:
        raise HeadError(f"{verifier!r} is no Ed25519 key in the form name+hash+key")
    key = Ed25519PublicKey.from_public_bytes(raw[1:])
    if whole and key_hash(whole[1], key).hex() != whole[2]:
        raise HeadError(f"{verifier!r} names the hash of another key: it was cut or mistyped")
    return key


def _parsed(text: str) -> Head:
    lines = text.removesuffix("\n").split("\n")
    if len(lines) != 5 or not (lines[3].startswith(MADE_AT) and lines[4].startswith(AFTER)):
        raise HeadError("it has not the five lines origin, size, root, made_at and after")
    size, after = lines[1], lines[4].removeprefix(AFTER)
    if not (_SIZE.fullmatch(size) and _SIZE.fullmatch(after)):
        raise HeadError("its sizes are no whole numbers")
    root = _decoded(lines[2], "the root")
    try:
        made_at = datetime.fromisoformat(lines[3].removeprefix(MADE_AT))
    except ValueError:
        raise HeadError("its made_at is no time") from None
    return Head(lines[0], int(size), root, made_at, int(after))


def _holds(line: str, head: Head, keys: dict[bytes, Ed25519PublicKey]) -> bool:
    parts = line.split(" ")
    if len(parts) != 3 or parts[:2] != [DASH, head.origin]:
        return False
    signature = _decoded(parts[2], "a signature")
    key = keys.get(signature[:KEY_HASH_BYTES])
    if key is None:
        return False
    try:
        key.verify(signature[KEY_HASH_BYTES:], head.text.encode())
    except InvalidSignature:
        raise HeadError("its signature is not over what it says") from None
    return True


def _decoded(text: str, what: str) -> bytes:
    try:
        data = base64.b64decode(text, validate=True)
    except (binascii.Error, ValueError):
        raise HeadError(f"{what} in it is no base64") from None
    if base64.b64encode(data).decode() != text:  # bits beyond the last byte
        raise HeadError(f"{what} in it is not written in the one form that it has")
    return data
