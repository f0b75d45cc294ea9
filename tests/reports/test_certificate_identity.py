"""What certificates are signed with: made once by itself, or supplied; and what is said of what cannot be used."""

from __future__ import annotations

import stat
from datetime import UTC, datetime, timedelta
from io import BytesIO
from pathlib import Path

import pikepdf
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, rsa
from cryptography.hazmat.primitives.serialization import BestAvailableEncryption, Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import NameOID

from deploy.embedded.folder import DataFolder
from deploy.signing_certificate import KEPT_AS, self_made, signing_pem
from reports.certificate.document import to_json
from reports.certificate.identity import SigningError, read_identity
from reports.certificate.signing import signed_file
from reports.certificate.unsigned import unsigned_file

from . import sample_documents
from .sample_proof import sample_proof
from .test_certificate_signature import pdfsig, validated

NOW = datetime.now(UTC)
Key = rsa.RSAPrivateKey | ec.EllipticCurvePrivateKey | ed25519.Ed25519PrivateKey


def certificate_of(key: Key, name: str, issuer: Key | None = None, issuer_name: str = "") -> bytes:
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    by = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, issuer_name or name)])
    builder = x509.CertificateBuilder().subject_name(subject).issuer_name(by).public_key(key.public_key())
    builder = builder.serial_number(x509.random_serial_number())
    builder = builder.not_valid_before(NOW - timedelta(days=1)).not_valid_after(NOW + timedelta(days=30))
    signer = issuer or key
    algorithm = None if isinstance(signer, ed25519.Ed25519PrivateKey) else hashes.SHA256()
    return builder.sign(signer, algorithm).public_bytes(Encoding.PEM)


def pem_of(key: Key, password: bytes = b"") -> bytes:
    encryption = BestAvailableEncryption(password) if password else NoEncryption()
    return key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, encryption)


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> DataFolder:
    """A new installation's."""
    monkeypatch.delenv("SIGNING_CERTIFICATE_FILE", raising=False)
    return DataFolder(tmp_path / "data")


@pytest.fixture(scope="module")
def rsa_key() -> rsa.RSAPrivateKey:
    return rsa.generate_private_key(65537, 2048)


@pytest.fixture(scope="module")
def unsigned() -> bytes:
    snapshot = to_json(sample_documents.certificate())
    return unsigned_file(snapshot, sample_proof(snapshot), page_size="A4")


def test_the_installations_own_is_made_once_and_only_its_user_can_read_it(data: DataFolder) -> None:
    made = signing_pem(data)
    assert signing_pem(data) == made
    kept = data.root / "secrets" / KEPT_AS
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    certificate = read_identity(made).certificate
    usage = certificate.extensions.get_extension_for_class(x509.KeyUsage).value
    assert usage.digital_signature
    assert usage.content_commitment
    assert certificate.not_valid_after_utc > NOW + timedelta(days=29 * 365)


def test_a_supplied_file_takes_its_place(data: DataFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    supplied = tmp_path / "signing.pem"
    supplied.write_text(self_made())
    monkeypatch.setenv("SIGNING_CERTIFICATE_FILE", str(supplied))
    assert signing_pem(data) == supplied.read_text()
    assert not (data.root / "secrets" / KEPT_AS).exists()


def test_one_of_an_authority_signs_with_its_issuers_in_the_file(
    rsa_key: rsa.RSAPrivateKey, unsigned: bytes, tmp_path: Path
) -> None:
    authority = ec.generate_private_key(ec.SECP384R1())
    chain = certificate_of(rsa_key, "Workshop", authority, "Authority") + certificate_of(authority, "Authority")
    identity = read_identity((pem_of(rsa_key) + chain).decode())
    signed = signed_file(unsigned, identity, workshop="Workshop")
    assert signed.startswith(unsigned)
    assert validated(signed).bottom_line
    path = tmp_path / "signed.pdf"
    path.write_bytes(signed)
    run = pdfsig(path)
    assert "Signature is Valid." in run.stdout
    assert "Signer Certificate Common Name: Workshop" in run.stdout


def test_the_signature_is_an_addition_and_may_be_made_again(unsigned: bytes) -> None:
    identity = read_identity(self_made())
    first, second = (signed_file(unsigned, identity, workshop="Workshop") for _ in range(2))
    assert first.startswith(unsigned)
    assert second.startswith(unsigned)
    with pikepdf.open(BytesIO(first)) as pdf:
        assert pdf.check_pdf_syntax() == []
        assert "/DocMDP" in pdf.Root.Perms, "no later change is allowed"


def test_what_cannot_be_used_is_refused_with_what_to_do(rsa_key: rsa.RSAPrivateKey) -> None:
    other, edwards = ec.generate_private_key(ec.SECP256R1()), ed25519.Ed25519PrivateKey.generate()
    refused = {
        "unencrypted private key": pem_of(rsa_key, b"secret") + certificate_of(rsa_key, "Workshop"),
        "cannot be read": pem_of(rsa_key),
        "put the key's own certificate first": pem_of(rsa_key) + certificate_of(other, "Workshop"),
        "use an RSA or elliptic-curve key": pem_of(edwards) + certificate_of(edwards, "Workshop"),
    }
    for said, pem in refused.items():
        with pytest.raises(SigningError, match=said):
            read_identity(pem.decode())
    with pytest.raises(SigningError, match="cannot be read"):
        read_identity("nothing of the kind, but long enough to be taken for a secret")
