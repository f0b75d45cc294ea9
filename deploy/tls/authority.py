"""A certificate authority of this installation's own, and the server certificate that it issues.

Both keys lie in the data folder, readable by its user alone, and leave it never. Tablets come to trust the authority
once; server certificates are issued anew at a start, without the tablets noticing, when they run out soon or when
the machine's names changed.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, EllipticCurvePrivateKey, generate_private_key
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat, load_pem_private_key
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from deploy.embedded.folder import EmbeddedServiceError
from deploy.tls import hosts as names
from deploy.tls.served import Served, belongs_to, hosts_of

AUTHORITY_DAYS: Final = 3650
SERVER_DAYS: Final = 395
"""With the day by which it begins earlier less than the 398 days that browsers put up with."""
HEAD_START: Final = timedelta(days=1)
"""A tablet's clock may be behind."""
RENEWED_BEFORE: Final = timedelta(days=30)
_USAGES: Final = (
    "digital_signature",
    "content_commitment",
    "key_encipherment",
    "data_encipherment",
    "key_agreement",
    "key_cert_sign",
    "crl_sign",
    "encipher_only",
    "decipher_only",
)


@dataclass(frozen=True, slots=True)
class Issued:
    certificate: x509.Certificate
    key: EllipticCurvePrivateKey


def local_certificate(folder: Path, asked: Sequence[str], *, now: datetime) -> Served:
    """The server certificate in this folder, for the hosts asked for and the machine's own, issued where needed.

    A new folder, or an authority that has run out, gets a new authority.
    """
    authority = _authority(folder, asked, now)
    constraints = authority.certificate.extensions.get_extension_for_class(x509.NameConstraints).value
    names.require_vouched_for(constraints, asked, str(folder))
    own = (host for host in names.hosts_of_this_machine() if names.may_vouch_for(constraints, host))
    wanted = names.unique((*asked, *own))
    server = _read(folder, "server")
    if server is None or not _is_good(server, authority, wanted, now):
        server = _issue(authority, wanted, now)
        _keep(folder, "server", server)
    return Served(
        certificate=_file(folder, "server", "crt"),
        key=_file(folder, "server", "key"),
        hosts=wanted,
        ends_at=server.certificate.not_valid_after_utc,
        authority=_file(folder, "authority", "crt"),
    )


def _authority(folder: Path, asked: Sequence[str], now: datetime) -> Issued:
    if _file(folder, "authority", "crt").exists():
        kept = _read(folder, "authority")
        if kept is None or not belongs_to(kept.key, kept.certificate):
            raise EmbeddedServiceError(
                f"The local authority in {folder} cannot be read whole: restore the folder from a copy, or move it "
                "away to have a new authority made; every tablet must then come to trust the new one."
            )
        if kept.certificate.not_valid_after_utc - now > RENEWED_BEFORE:
            return kept
    made = _make_authority((*asked, *names.hosts_of_this_machine()), now)
    _keep(folder, "authority", made)
    return made


def _make_authority(hosts: Sequence[str], now: datetime) -> Issued:
    key = generate_private_key(SECP256R1())
    name = _name(f"Levelbook on {socket.gethostname()}, made {now:%Y-%m-%d}"[:64])
    key_id = x509.SubjectKeyIdentifier.from_public_key(key.public_key())
    builder = _builder(name, name, key, now - HEAD_START, now + timedelta(days=AUTHORITY_DAYS))
    builder = (
        builder.add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage("key_cert_sign", "crl_sign"), critical=True)
        .add_extension(names.constraints_for(hosts), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(key_id, critical=False)
    )
    return Issued(builder.sign(key, hashes.SHA256()), key)


def _issue(authority: Issued, hosts: Sequence[str], now: datetime) -> Issued:
    key = generate_private_key(SECP256R1())
    ends_at = min(now + timedelta(days=SERVER_DAYS), authority.certificate.not_valid_after_utc)
    builder = _builder(_name("Levelbook"), authority.certificate.subject, key, now - HEAD_START, ends_at)
    alternatives = x509.SubjectAlternativeName([names.general_name(host) for host in hosts])
    issuer_id = x509.AuthorityKeyIdentifier.from_issuer_public_key(authority.key.public_key())
    builder = (
        builder.add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage("digital_signature"), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(alternatives, critical=False)
        .add_extension(issuer_id, critical=False)
    )
    return Issued(builder.sign(authority.key, hashes.SHA256()), key)


def _is_good(server: Issued, authority: Issued, wanted: Sequence[str], now: datetime) -> bool:
    """Tell whether tablets would accept it for every name, today and for some time."""
    try:
        server.certificate.verify_directly_issued_by(authority.certificate)
    except Exception:  # noqa: BLE001  (several kinds, all of which mean no)
        return False
    lasts = server.certificate.not_valid_after_utc - now > RENEWED_BEFORE
    return lasts and belongs_to(server.key, server.certificate) and set(hosts_of(server.certificate)) == set(wanted)


def _builder(
    subject: x509.Name, issuer: x509.Name, key: EllipticCurvePrivateKey, begins_at: datetime, ends_at: datetime
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(begins_at)
        .not_valid_after(ends_at)
    )


def _usage(*granted: str) -> x509.KeyUsage:
    return x509.KeyUsage(**{usage: usage in granted for usage in _USAGES})


def _name(text: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, text)])


def _read(folder: Path, name: str) -> Issued | None:
    """What was kept under this name, or nothing where it is not whole."""
    try:
        certificate = x509.load_pem_x509_certificate(_file(folder, name, "crt").read_bytes())
        key = load_pem_private_key(_file(folder, name, "key").read_bytes(), password=None)
    except (FileNotFoundError, ValueError):
        return None
    return Issued(certificate, key) if isinstance(key, EllipticCurvePrivateKey) else None


def _keep(folder: Path, name: str, issued: Issued) -> None:
    """The key first: where its writing or what follows is cut short, there is no certificate that would lack it."""
    _write(_file(folder, name, "key"), issued.key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    _write(_file(folder, name, "crt"), issued.certificate.public_bytes(Encoding.PEM))


def _write(path: Path, content: bytes) -> None:
    unfinished = path.with_name(f".{path.name}.unfinished")
    unfinished.unlink(missing_ok=True)
    with os.fdopen(os.open(unfinished, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    unfinished.replace(path)


def _file(folder: Path, name: str, kind: str) -> Path:
    return folder / f"{name}.{kind}"
