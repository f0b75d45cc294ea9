"""The electronic signature of a certificate's file: PAdES (ETSI EN 319 142-1), by pyHanko."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import cache, partial
from io import BytesIO
from typing import Final

from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric.ec import ECDSA
from cryptography.hazmat.primitives.asymmetric.padding import PKCS1v15
from cryptography.hazmat.primitives.asymmetric.rsa import RSAPrivateKey
from cryptography.hazmat.primitives.serialization import Encoding
from pyhanko.keys.pemder import load_certs_from_pemder_data
from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.sign.fields import MDPPerm, SigSeedSubFilter
from pyhanko.sign.signers import PdfSignatureMetadata, PdfSigner, Signer
from pyhanko_certvalidator.registry import SimpleCertificateStore

from .identity import Identity

FIELD: Final = "Signature"
DIGEST: Final = "sha256"
_RESERVED: Final = 8192
"""Bytes for the signature with its certificates, so that nothing has to be signed twice to learn its size."""


def signed_file(unsigned: bytes, signer: Identity, *, workshop: str) -> bytes:
    """The file with the signature behind it, which covers all of it and allows no later change."""
    meta = PdfSignatureMetadata(
        field_name=FIELD,
        md_algorithm=DIGEST,
        name=workshop,
        certify=True,
        docmdp_permissions=MDPPerm.NO_CHANGES,
        subfilter=SigSeedSubFilter.PADES,
        signer_key_usage=set(),
    )
    target = BytesIO()
    writer = IncrementalPdfFileWriter(BytesIO(unsigned))
    signing = partial(PdfSigner(meta, _signer(signer)).sign_pdf, writer, bytes_reserved=_RESERVED, output=target)
    on_its_own_thread(signing)
    return target.getvalue()


def on_its_own_thread(signing: Callable[[], object]) -> None:
    """pyHanko runs an event loop, which is refused on a thread on which another one is running."""
    with ThreadPoolExecutor(max_workers=1) as threads:
        threads.submit(signing).result()


@cache
def _signer(signer: Identity) -> _KeptKeySigner:
    return _KeptKeySigner(signer)


class _KeptKeySigner(Signer):
    """Signs with the key as it was loaded; pyHanko's own loads an RSA key anew for each signature, which takes longer
    than all the rest."""

    def __init__(self, signer: Identity) -> None:
        pem = b"".join(each.public_bytes(Encoding.PEM) for each in signer.certificates)
        own, *issuers = load_certs_from_pemder_data(pem)
        store = SimpleCertificateStore()  # type: ignore[no-untyped-call]
        store.register_multiple(issuers)
        super().__init__(signing_cert=own, cert_registry=store)
        self._key = signer.key

    async def async_sign_raw(self, data: bytes, digest_algorithm: str, dry_run: bool = False) -> bytes:
        algorithm = {DIGEST: hashes.SHA256()}[digest_algorithm]
        if isinstance(self._key, RSAPrivateKey):
            return self._key.sign(data, PKCS1v15(), algorithm)
        return self._key.sign(data, ECDSA(algorithm))
