"""The workshop's key pairs for the files of outboxes."""

from __future__ import annotations

import base64
import hashlib
from datetime import datetime
from typing import Final

from cryptography.fernet import Fernet, InvalidToken
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
    load_der_private_key,
)
from django.conf import settings
from django.utils.translation import gettext_lazy as _

from fleet.errors import Conflict, Invalid
from fleet.ids import new_id
from fleet.models import OutboxKey

KEY_ID_BYTES: Final = 8


def outbox_key_current(*, now: datetime) -> OutboxKey:
    """The key that tablets encrypt to: the newest that can be opened, or one made now.

    After a change of the installation's key the old ones cannot be opened any more, and a new one takes their place.
    """
    newest = OutboxKey.objects.first()
    if newest is not None and _opened(newest) is not None:
        return newest
    private = ec.generate_private_key(ec.SECP256R1())
    public = public_bytes(private.public_key())
    plain = private.private_bytes(Encoding.DER, PrivateFormat.PKCS8, NoEncryption())
    return OutboxKey.objects.create(
        id=new_id(),
        key_id=key_id_of(public),
        public_key=public,
        sealed_private_key=_cipher().encrypt(plain).decode(),
        created_at=now,
    )


def outbox_private_key(key_id: bytes, pointer: str) -> ec.EllipticCurvePrivateKey:
    """The private key to which a file was encrypted; a file for another workshop has none here."""
    key = OutboxKey.objects.filter(key_id=key_id).first()
    if key is None:
        raise Invalid.at(
            pointer,
            "other_workshop",
            _("This file was saved by a tablet of another workshop, or of another installation. Hand it in there."),
        )
    private = _opened(key)
    if private is None:
        raise Conflict(
            _(
                "This file was saved under another key of this installation. "
                "Ask whoever runs it to put the old SECRET_KEY back."
            ),
            code="outbox_key_of_old_key",
        )
    return private


def public_bytes(key: ec.EllipticCurvePublicKey) -> bytes:
    return key.public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)


def key_id_of(public_key: bytes) -> bytes:
    return hashlib.sha256(public_key).digest()[:KEY_ID_BYTES]


def _opened(key: OutboxKey) -> ec.EllipticCurvePrivateKey | None:
    try:
        plain = _cipher().decrypt(key.sealed_private_key.encode())
    except InvalidToken:
        return None
    private = load_der_private_key(plain, None)
    assert isinstance(private, ec.EllipticCurvePrivateKey)  # made above
    return private


def _cipher() -> Fernet:
    """A key of its own, derived from the installation's."""
    derived = hashlib.sha256(b"fleet.services.outbox_keys" + settings.SECRET_KEY.encode()).digest()
    return Fernet(base64.urlsafe_b64encode(derived))
