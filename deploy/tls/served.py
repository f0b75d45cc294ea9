"""The certificate with which the service answers, and what both kinds of it share."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from cryptography import x509
from cryptography.hazmat.primitives.asymmetric.types import PrivateKeyTypes, PublicKeyTypes
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

ON_THIS_MACHINE: Final = ("localhost", "127.0.0.1", "::1")


@dataclass(frozen=True, slots=True)
class Served:
    """Files for the web server, and the names and addresses that they are good for, the likeliest to be typed first."""

    certificate: Path
    key: Path
    hosts: tuple[str, ...]
    ends_at: datetime
    authority: Path | None = None
    """The certificate of the local authority that vouches for it."""


def belongs_to(key: PrivateKeyTypes, certificate: x509.Certificate) -> bool:
    return _bytes_of(key.public_key()) == _bytes_of(certificate.public_key())


def hosts_of(certificate: x509.Certificate) -> tuple[str, ...]:
    """The names and addresses that browsers accept it for; the subject's own name has not counted for long."""
    try:
        names = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except x509.ExtensionNotFound:
        return ()
    return (*names.get_values_for_type(x509.DNSName), *map(str, names.get_values_for_type(x509.IPAddress)))


def _bytes_of(key: PublicKeyTypes) -> bytes:
    return key.public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)
