"""The installation's key pair for heads of trees, and the public keys that it had before."""

from __future__ import annotations

import hashlib
import uuid

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from django.conf import settings

from .signed_heads import public_key


def signing_key() -> Ed25519PrivateKey:
    """Made from the setting `CHECKPOINT_KEY`, a secret text of any form."""
    seed = hashlib.sha256(b"fleet.checkpoint_keys" + settings.CHECKPOINT_KEY.encode()).digest()
    return Ed25519PrivateKey.from_private_bytes(seed)


def known_keys() -> list[Ed25519PublicKey]:
    """By which heads may be signed: today's key, and those of before that the deployer named."""
    return [signing_key().public_key(), *(public_key(each) for each in settings.FORMER_CHECKPOINT_KEYS)]


def origin_of(workshop_id: uuid.UUID) -> str:
    """The name of a workshop's tree. It outlives the address at which the service is reached."""
    return f"levelbook/workshops/{workshop_id}"
