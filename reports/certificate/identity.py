"""Who signs certificates: the installation's key with its certificate, made at the first start or supplied."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import cache
from typing import Any

from cryptography import x509
from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePrivateKey
from cryptography.hazmat.primitives.asymmetric.rsa import RSAPrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat, load_pem_private_key
from django.conf import settings

PrivateKey = EllipticCurvePrivateKey | RSAPrivateKey


class SigningError(ValueError):
    """What was supplied to sign with cannot be used; the message says why and what to do."""


@dataclass(frozen=True)
class Identity:
    """The key, its certificate, and those of its issuers."""

    key: PrivateKey
    certificates: tuple[x509.Certificate, ...]

    @property
    def certificate(self) -> x509.Certificate:
        return self.certificates[0]

    @property
    def sha256(self) -> str:
        """Of the certificate's DER: the name by which a ledger entry says who will sign."""
        return hashlib.sha256(self.certificate.public_bytes(Encoding.DER)).hexdigest()


def identity() -> Identity:
    """The installation's own."""
    return read_identity(settings.SIGNING_PEM)


@cache
def read_identity(pem: str) -> Identity:
    """From PEM text with a private key and its certificate, those of issuers behind it."""
    try:
        key = load_pem_private_key(pem.encode(), password=None)
        certificates = tuple(x509.load_pem_x509_certificates(pem.encode()))
    except (ValueError, TypeError) as error:
        raise SigningError(
            f"The signing certificate cannot be read: {error}. It has to be PEM text with an unencrypted private key "
            "and its certificate, followed by the certificates of its issuers."
        ) from None
    if not isinstance(key, PrivateKey):
        raise SigningError(f"The signing key is {type(key).__name__}; use an RSA or elliptic-curve key.")
    if _public(key.public_key()) != _public(certificates[0].public_key()):
        raise SigningError("The first signing certificate is not that of the key: put the key's own certificate first.")
    return Identity(key, certificates)


def _public(key: Any) -> bytes:
    encoded: bytes = key.public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)
    return encoded
