"""A certificate and key that somebody gives: read before anything starts, so that what is wrong is said in one line."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives.asymmetric.types import PrivateKeyTypes
from cryptography.hazmat.primitives.serialization import load_pem_private_key

from deploy.embedded.folder import EmbeddedServiceError
from deploy.tls.served import Served, belongs_to, hosts_of


def given_certificate(certificate: Path, key: Path, *, now: datetime) -> Served:
    """Files with which the service can answer until the certificate runs out, or an error that says why not."""
    chain = _read_chain(certificate)
    _require_pair(certificate, chain, key, _read_key(key))
    own = chain[0]
    _require_valid(certificate, own, now)
    hosts = hosts_of(own)
    if not hosts:
        raise EmbeddedServiceError(
            f"--tls-cert {certificate} names no host (subjectAltName), so no browser accepts it: "
            "have one issued for the name that tablets type."
        )
    return Served(certificate, key, hosts, own.not_valid_after_utc)


def _read_chain(path: Path) -> list[x509.Certificate]:
    content = _read("--tls-cert", path)
    try:
        return x509.load_pem_x509_certificates(content)
    except ValueError:
        raise EmbeddedServiceError(
            f"--tls-cert {path} holds no certificate in PEM form (a text with the line -----BEGIN CERTIFICATE-----): "
            "give the file with the server's certificate and those that vouch for it."
        ) from None


def _read_key(path: Path) -> PrivateKeyTypes:
    content = _read("--tls-key", path)
    try:
        return load_pem_private_key(content, password=None)
    except TypeError:
        raise EmbeddedServiceError(
            f"--tls-key {path} is locked with a passphrase, and nobody is there to type it when the service "
            f"starts: give a copy without one that only its user can read (openssl pkey -in {path} -out COPY)."
        ) from None
    except ValueError:
        raise EmbeddedServiceError(
            f"--tls-key {path} holds no private key in PEM form (a text with a line -----BEGIN … PRIVATE KEY-----)."
        ) from None


def _read(option: str, path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise EmbeddedServiceError(
            f"{option} {path} cannot be read ({error.strerror}): mend the path, "
            "or let the user who runs the service read the file."
        ) from None


def _require_pair(file: Path, chain: list[x509.Certificate], key_file: Path, key: PrivateKeyTypes) -> None:
    if belongs_to(key, chain[0]):
        return
    if any(belongs_to(key, later) for later in chain[1:]):
        raise EmbeddedServiceError(
            f"--tls-cert {file} does not begin with the server's own certificate: put that first, "
            "and those that vouch for it after it."
        )
    raise EmbeddedServiceError(
        f"--tls-key {key_file} does not belong to the certificate in {file}: give the key with which it was asked for."
    )


def _require_valid(path: Path, certificate: x509.Certificate, now: datetime) -> None:
    if now >= certificate.not_valid_after_utc:
        raise EmbeddedServiceError(
            f"--tls-cert {path} ran out on {certificate.not_valid_after_utc:%Y-%m-%d %H:%M} UTC: renew it. "
            f"(The clock of this machine says {now:%Y-%m-%d %H:%M} UTC.)"
        )
    if now < certificate.not_valid_before_utc:
        raise EmbeddedServiceError(
            f"--tls-cert {path} is not valid before {certificate.not_valid_before_utc:%Y-%m-%d %H:%M} UTC: "
            f"put the clock of this machine right, which says {now:%Y-%m-%d %H:%M} UTC, or wait."
        )
