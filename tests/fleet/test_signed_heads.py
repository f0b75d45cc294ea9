"""Signed heads as text: the form of the specifications, and what is refused."""

from __future__ import annotations

import base64
import hashlib
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from fleet.signed_heads import Head, HeadError, key_hash, public_key, signed, verified, verifier_key

KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
OTHER = Ed25519PrivateKey.from_private_bytes(bytes(32))
HEAD = Head("levelbook/workshops/x", 12, bytes(range(32)), datetime(2026, 11, 26, 15, 20, tzinfo=UTC), 9)
NOTE = signed(HEAD, KEY)


def test_a_head_is_a_note_as_the_specification_says() -> None:
    """Taken apart here without the service's own functions."""
    text, signatures = NOTE.split("\n\n")
    lines = text.split("\n")
    assert lines[:3] == ["levelbook/workshops/x", "12", base64.b64encode(bytes(range(32))).decode()]
    assert lines[3:] == ["made_at 2026-11-26T15:20:00.000000+00:00", "after 9"]
    dash, name, encoded = signatures.removesuffix("\n").split(" ")
    assert (dash, name) == ("\N{EM DASH}", lines[0])
    raw, public = base64.b64decode(encoded), KEY.public_key().public_bytes_raw()
    assert raw[:4] == hashlib.sha256(name.encode() + b"\n\x01" + public).digest()[:4]
    assert len(raw) == 4 + 64
    Ed25519PublicKey.from_public_bytes(public).verify(raw[4:], (text + "\n").encode())
    with pytest.raises(InvalidSignature):
        Ed25519PublicKey.from_public_bytes(public).verify(raw[4:], text.encode())


def test_what_was_signed_is_read_again() -> None:
    assert verified(NOTE, [OTHER.public_key(), KEY.public_key()]) == HEAD


def test_signatures_of_unknown_keys_are_passed_over() -> None:
    witnessed = NOTE + "\N{EM DASH} witness.example/w " + base64.b64encode(bytes(68)).decode() + "\n"
    assert verified(witnessed, [KEY.public_key()]) == HEAD


def test_a_head_that_no_known_key_signed_is_refused() -> None:
    with pytest.raises(HeadError, match="none of the known keys"):
        verified(NOTE, [OTHER.public_key()])


def test_every_altered_character_is_noticed() -> None:
    for place, character in enumerate(NOTE):
        altered = NOTE[:place] + ("A" if character != "A" else "B") + NOTE[place + 1 :]
        with pytest.raises(HeadError):
            verified(altered, [KEY.public_key()])
        with pytest.raises(HeadError):
            verified(NOTE[:place] + NOTE[place + 1 :], [KEY.public_key()])


def test_bits_beyond_the_signature_are_noticed() -> None:
    alphabet = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/"
    assert NOTE.endswith("=\n")
    for other in set(alphabet) - {NOTE[-3]}:
        with pytest.raises(HeadError):
            verified(f"{NOTE[:-3]}{other}=\n", [KEY.public_key()])


@pytest.mark.parametrize(
    "text", ["", "\n\n", "a\nb\n\nc", NOTE.replace("\n12\n", "\n012\n"), NOTE.replace("\n", "\r\n")]
)
def test_what_is_no_head_is_refused(text: str) -> None:
    with pytest.raises(HeadError):
        verified(text, [KEY.public_key()])


def test_a_public_key_is_read_in_the_form_in_which_it_is_published() -> None:
    published = verifier_key(HEAD.origin, KEY.public_key())
    assert published.split("+")[1] == key_hash(HEAD.origin, KEY.public_key()).hex()
    assert public_key(published).public_bytes_raw() == KEY.public_key().public_bytes_raw()
    for wrong in ("", "a", published[:-3], published.replace("levelbook", "other"), published + "AAAA"):
        with pytest.raises(HeadError):
            public_key(wrong)


def test_a_public_key_is_read_without_its_name_as_well() -> None:
    keys = [Ed25519PrivateKey.from_private_bytes(bytes([n] * 32)).public_key() for n in range(40)]
    written = {base64.b64encode(b"\x01" + key.public_bytes_raw()).decode(): key for key in keys}
    assert any("+" in each for each in written), "base64 has the sign that stands between the parts of a whole key"
    assert all(public_key(each) == key for each, key in written.items())
    for each in written:
        with pytest.raises(HeadError):
            public_key(each[:-4])


def test_the_key_hash_depends_on_the_tree() -> None:
    other = replace(HEAD, origin="levelbook/workshops/y")
    assert key_hash(HEAD.origin, KEY.public_key()) != key_hash(other.origin, KEY.public_key())
