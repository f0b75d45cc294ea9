"""What certificates are signed with, where nothing is supplied: a key of this installation and its own certificate."""

from __future__ import annotations

import os
import socket
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from django.core.exceptions import ImproperlyConfigured

from deploy.embedded.folder import DataFolder

VALID_FOR: Final = timedelta(days=30 * 365)
"""As long as anybody may want to check what it signed; there is nobody who would renew it."""
HEAD_START: Final = timedelta(days=1)
"""A reader's clock may be behind."""
KEPT_AS: Final = "signing-certificate.pem"


def signing_pem(data: DataFolder) -> str:
    """PEM text with key and certificate: of the file that `SIGNING_CERTIFICATE_FILE` names, or made once and kept."""
    supplied = os.environ.get("SIGNING_CERTIFICATE_FILE")
    if not supplied:
        return data.secret(KEPT_AS, self_made)
    from reports.certificate.identity import SigningError, read_identity

    try:
        pem = Path(supplied).read_text(encoding="ascii")
        read_identity(pem)
    except (OSError, UnicodeDecodeError) as error:
        raise ImproperlyConfigured(f"SIGNING_CERTIFICATE_FILE is {supplied!r}, which cannot be read: {error}") from None
    except SigningError as error:
        raise ImproperlyConfigured(f"SIGNING_CERTIFICATE_FILE is {supplied!r}. {error}") from None
    return pem


def self_made() -> str:
    """A new key with a certificate that nobody else vouches for; readers pin it, or trust what the ledger names."""
    # Imported where it is needed, once in an installation's life.
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, generate_private_key
    from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
    from cryptography.x509.oid import NameOID

    now = datetime.now(UTC)
    key = generate_private_key(SECP256R1())
    common_name = f"Levelbook on {socket.gethostname()}, made {now:%Y-%m-%d}"[:64]
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, common_name)])
    usages = dict.fromkeys(
        ("key_encipherment", "data_encipherment", "key_agreement", "key_cert_sign", "crl_sign"), False
    )
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - HEAD_START)
        .not_valid_after(now + VALID_FOR)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(
            x509.KeyUsage(
                digital_signature=True, content_commitment=True, encipher_only=False, decipher_only=False, **usages
            ),
            critical=True,
        )
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .sign(key, hashes.SHA256())
    )
    private = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    return (private + certificate.public_bytes(Encoding.PEM)).decode()
