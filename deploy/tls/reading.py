"""What people read of a certificate to know it by."""

from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives.hashes import SHA256


def read_certificate(path: Path) -> x509.Certificate:
    return x509.load_pem_x509_certificate(path.read_bytes())


def fingerprint(certificate: x509.Certificate) -> str:
    """SHA-256 of its DER form, in pairs of hexadecimal digits."""
    return certificate.fingerprint(SHA256()).hex(":").upper()


def vouched_for(certificate: x509.Certificate) -> list[str]:
    """The names and networks that an authority is limited to."""
    limits = certificate.extensions.get_extension_for_class(x509.NameConstraints).value
    return [str(name.value) for name in limits.permitted_subtrees or []]
