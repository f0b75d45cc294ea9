"""Files as tablets save them, made by another implementation of the format than the app's or the service's."""

from __future__ import annotations

import base64
import json
import os
from collections.abc import Iterable, Mapping
from typing import Any

from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256, Hash
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from django.utils import timezone
from rest_framework.test import APIClient

from fleet import services
from fleet.ids import new_id
from fleet.tenancy import in_workshop
from tests.factories import Person, Site

TABLET = "Tablet in bay 2"


def key_handed_out(site: Site) -> bytes:
    """The public key that a newly enrolled tablet of the workshop is told."""
    with in_workshop(site.workshop.pk):
        _offer, code = services.enrolment_offer(actor=site.manager.actor())
    enrolled = APIClient().post("/api/v1/enrolments/", {"code": code, "device": TABLET}).json()
    tablet = APIClient()
    tablet.credentials(HTTP_AUTHORIZATION=f"Bearer {enrolled['token']}")
    return base64.b64decode(tablet.get("/api/v1/tablet/").json()["outbox_key"])


def key_of(site: Site) -> bytes:
    """The same key, without a tablet."""
    with in_workshop(site.workshop.pk):
        return bytes(services.outbox_key_current(now=timezone.now()).public_key)


def record(
    person: Person,
    path: str,
    fields: Mapping[str, Any],
    *,
    state: str = "waiting",
    file: bytes | None = None,
    **more: Any,
) -> dict[str, Any]:
    """One entry of the manifest; `bytes` stands for its file until it is packed."""
    record_id = str(new_id())
    listed = None if file is None else {"name": "tape.png", "type": "image/png", "size": len(file)}
    return {
        "id": record_id,
        "seq": 1,
        "vehicle": "v",
        "person": str(person.membership.pk),
        "method": "POST",
        "path": f"/api/v1{path}",
        "noted_at": 1_764_000_000_000,
        "is_signature": state == "to_sign",
        "state": state,
        "sent_at": None,
        "refusal": None,
        "content": {"fields": {**fields, "id": record_id}, "file": listed},
        "bytes": file or b"",
        **more,
    }


def manifest_of(site: Site, records: Iterable[Mapping[str, Any]], **more: Any) -> dict[str, Any]:
    plain = [{name: value for name, value in each.items() if name != "bytes"} for each in records]
    about = {"workshop": str(site.workshop.pk), "tablet": TABLET, "saved_at": timezone.now().isoformat()}
    return {"version": 1, **about, "epoch": "e", "records": plain, **more}


def saved(site: Site, records: Iterable[Mapping[str, Any]], key: bytes | None = None, **more: Any) -> bytes:
    """The file that a tablet of the workshop saves."""
    records = list(records)
    files = b"".join(each["bytes"] for each in records)
    return encrypted(json.dumps(manifest_of(site, records, **more)).encode(), files, key or key_of(site))


def encrypted(manifest: bytes, files: bytes, recipient: bytes) -> bytes:
    one_time = ec.generate_private_key(ec.SECP256R1())
    sender = one_time.public_key().public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)
    digest = Hash(SHA256())
    digest.update(recipient)
    nonce = os.urandom(12)
    head = b"LBOX\x01" + digest.finalize()[:8] + sender + nonce
    shared = one_time.exchange(ec.ECDH(), ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), recipient))
    key = HKDF(SHA256(), 32, salt=sender + recipient, info=b"levelbook outbox file 1").derive(shared)
    return head + AESGCM(key).encrypt(nonce, len(manifest).to_bytes(4, "big") + manifest + files, head)
