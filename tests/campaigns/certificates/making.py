"""Certificate files made and signed in tests, in the form in which the service issues them."""

from __future__ import annotations

import hashlib
import io
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cached_property, partial
from typing import Any, Final

import pikepdf
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, rsa
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import NameOID
from pikepdf import Array, AttachedFileSpec, Name, ObjectStreamMode, Pdf
from pyhanko.keys.pemder import load_certs_from_pemder_data, load_private_key_from_pemder_data
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.sign.fields import SigSeedSubFilter
from pyhanko.sign.signers import PdfSignatureMetadata, PdfSigner, SimpleSigner
from pyhanko_certvalidator.registry import SimpleCertificateStore

from reports.certificate.signing import on_its_own_thread

RECORD: Final = "record.json"
RESERVED: Final = 8192
PrivateKey = ec.EllipticCurvePrivateKey | rsa.RSAPrivateKey | ed25519.Ed25519PrivateKey


@dataclass(frozen=True)
class Signer:
    """A key with its X.509 certificate."""

    key: PrivateKey
    certificate: x509.Certificate

    @property
    def sha256(self) -> str:
        return hashlib.sha256(self.certificate.public_bytes(Encoding.DER)).hexdigest()

    @cached_property
    def of_pyhanko(self) -> SimpleSigner:
        private = self.key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
        (certificate,) = load_certs_from_pemder_data(self.certificate.public_bytes(Encoding.PEM))
        return SimpleSigner(
            signing_cert=certificate,
            signing_key=load_private_key_from_pemder_data(private, passphrase=None),
            cert_registry=SimpleCertificateStore(),  # type: ignore[no-untyped-call]
        )


def new_signer(name: str, key: PrivateKey | None = None) -> Signer:
    """With a certificate that it has signed itself."""
    key = key or ec.generate_private_key(ec.SECP256R1())
    named = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    now = datetime.now(UTC)
    builder = (
        x509.CertificateBuilder()
        .subject_name(named)
        .issuer_name(named)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=3650))
    )
    digest = None if isinstance(key, ed25519.Ed25519PrivateKey) else hashes.SHA256()
    return Signer(key, builder.sign(key, digest))


def signed(unsigned: bytes, signer: Signer, field: str = "Signature") -> bytes:
    """The file with a signature behind it that covers all of it."""
    target = io.BytesIO()
    meta = PdfSignatureMetadata(field_name=field, subfilter=SigSeedSubFilter.PADES, signer_key_usage=set())
    writer = IncrementalPdfFileWriter(io.BytesIO(unsigned))
    signing = partial(PdfSigner(meta, signer.of_pyhanko).sign_pdf, writer, bytes_reserved=RESERVED, output=target)
    on_its_own_thread(signing)
    return target.getvalue()


def with_record(pdf: bytes, record: bytes, *, others: tuple[str, ...] = (), is_packed: bool = False) -> bytes:
    """The pages of a file, unsigned, with this record attached, and with other attachments."""
    with pikepdf.open(io.BytesIO(pdf)) as file:
        _without_signature(file)
        for name in list(file.attachments):
            del file.attachments[name]
        for name in (RECORD, *others):
            content = record if name == RECORD else b"{}"
            attached = AttachedFileSpec(file, content, filename=name, relationship=Name.Data)
            file.attachments[name] = attached
            if name == RECORD:
                file.Root.AF = Array([attached.obj])
        return _saved(file, is_packed=is_packed)


def _without_signature(file: Pdf) -> None:
    for name in (Name.AcroForm, Name.Perms):
        if name in file.Root:
            del file.Root[name]
    for page in file.pages:
        if Name.Annots in page:
            kept = [each for each in page.Annots if each.get(Name.FT) != Name.Sig]
            page.Annots = Array(kept)


def _saved(file: Pdf, *, is_packed: bool) -> bytes:
    target = io.BytesIO()
    options: dict[str, Any] = {"compress_streams": is_packed, "object_stream_mode": ObjectStreamMode.disable}
    file.save(target, deterministic_id=True, **options)
    return target.getvalue()


def record_of(pdf: bytes) -> bytes:
    """The record attached to a file."""
    with pikepdf.open(io.BytesIO(pdf)) as file:
        return bytes(file.attachments[RECORD].get_file().read_bytes())
