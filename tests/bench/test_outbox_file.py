"""The file of an outbox is read by an independent implementation of what its format says."""

from __future__ import annotations

import hashlib
import json

from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from tests.bench.node import Node


def _public(key: ec.EllipticCurvePrivateKey) -> bytes:
    return key.public_key().public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)


def _decrypted(file: bytes, key: ec.EllipticCurvePrivateKey) -> bytes:
    head, secret = file[:90], file[90:]
    sender, nonce = head[13:78], head[78:]
    shared = key.exchange(ec.ECDH(), ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), sender))
    derivation = HKDF(SHA256(), 32, salt=sender + _public(key), info=b"levelbook outbox file 1")
    return AESGCM(derivation.derive(shared)).decrypt(nonce, secret, head)


def test_the_file_is_what_its_format_says(node: Node) -> None:
    key = ec.generate_private_key(ec.SECP256R1())
    file = bytes.fromhex(node.run("save_outbox.mjs", _public(key).hex()))
    assert file[:13] == b"LBOX\x01" + hashlib.sha256(_public(key)).digest()[:8]
    plain = _decrypted(file, key)
    end = 4 + int.from_bytes(plain[:4], "big")
    (record,) = json.loads(plain[4:end])["records"]
    assert record["state"] == "waiting"
    assert record["content"]["fields"] == {"mark": "Höhe", "id": record["id"]}
    assert record["content"]["file"] == {"name": "tape.jpg", "type": "image/jpeg", "size": 3}
    assert plain[end:] == b"\xff\xd8\x00"
