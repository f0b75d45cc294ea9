"""The issued file against one that is drawn anew: its words, its bytes, its signature."""

from __future__ import annotations

from difflib import SequenceMatcher
from io import BytesIO
from itertools import chain
from typing import Final

from pyhanko.pdf_utils.reader import PdfFileReader
from pyhanko.sign.validation import validate_pdf_signature
from pyhanko.sign.validation.status import SignatureCoverageLevel
from pyhanko_certvalidator import ValidationContext

from ..certificate.document import DocumentError
from ..certificate.layout import PAGE_SIZES, PageSize
from ..certificate.proof import Proof
from ..certificate.render import RENDERER_VERSION
from ..certificate.unsigned import unsigned_file
from ..models import CertificateFile
from .page_text import words_of
from .result import NotProvenError, Outcome, Result

MOST_NAMED: Final = 3


def drawn_again(file: CertificateFile, proof: Proof) -> bytes:
    """The file without its signature, as this version draws it."""
    page_size: PageSize | None = next((size for size in PAGE_SIZES if size == file.page_size), None)
    if page_size is None:
        raise NotProvenError(f"Its page size is {file.page_size!r}, which is none.")
    try:
        return unsigned_file(file.snapshot, proof, page_size=page_size)
    except DocumentError as error:
        raise NotProvenError(f"The stored document is none that this version reads: {error}.") from None


def compare_text(file: CertificateFile, again: bytes) -> Result:
    issued, drawn = (list(chain.from_iterable(words_of(each))) for each in (bytes(file.pdf), again))
    if issued == drawn:
        return Result("text", Outcome.PROVEN, f"All {len(issued)} words on the pages are those of the record.")
    told = _told(issued, drawn)
    if file.renderer_version == RENDERER_VERSION:
        raise NotProvenError(f"The pages do not say what the record says: {told}.")
    said = f"Version {file.renderer_version} worded or placed it otherwise than {RENDERER_VERSION}: {told}."
    return Result("text", Outcome.NOT_COMPARABLE, said)


def _told(issued: list[str], drawn: list[str]) -> str:
    changes = SequenceMatcher(None, issued, drawn, autojunk=False).get_opcodes()
    found = [
        f"“{' '.join(issued[a:b])}” instead of “{' '.join(drawn[c:d])}”"
        for kind, a, b, c, d in changes
        if kind != "equal"
    ]
    more = len(found) - MOST_NAMED
    return "; ".join([*found[:MOST_NAMED], *([f"and {more} more places"] if more > 0 else [])])


def compare_bytes(file: CertificateFile, again: bytes) -> Result:
    if file.renderer_version != RENDERER_VERSION:
        said = f"Version {file.renderer_version} drew it and this is {RENDERER_VERSION}."
        return Result("bytes", Outcome.NOT_COMPARABLE, said)
    issued = bytes(file.pdf)
    if not issued.startswith(again):
        at = next((n for n, pair in enumerate(zip(issued, again, strict=False)) if pair[0] != pair[1]), len(issued))
        raise NotProvenError(f"Byte {at} of the file is another than the record gives.")
    return Result("bytes", Outcome.PROVEN, f"The record gives the same {len(again)} bytes; the signature follows them.")


def check_signature(file: CertificateFile, proof: Proof) -> Result:
    """One signature, over the whole file, by the certificate that the ledger named beforehand."""
    pdf = bytes(file.pdf)
    signatures = PdfFileReader(BytesIO(pdf)).embedded_signatures
    if len(signatures) != 1:
        raise NotProvenError(f"The file has {len(signatures)} signatures and not one.")
    [signature] = signatures
    signer = signature.signer_cert
    if signer.sha256.hex() != proof.entry["payload"]["facts"]["signing_certificate_sha256"]:
        raise NotProvenError("Another certificate signed it than the ledger names.")
    # Who signs is settled by the ledger, not by an authority; what it was valid for is known by the time of signing.
    context = ValidationContext(trust_roots=[signer], allow_fetching=False)
    status = validate_pdf_signature(signature, context)
    if not (status.intact and status.valid):
        raise NotProvenError("Its signature does not hold.")
    if status.coverage != SignatureCoverageLevel.ENTIRE_FILE:
        raise NotProvenError("Its signature does not cover the whole file.")
    return Result("signature", Outcome.PROVEN, f"By {signer.subject.human_friendly}, over the whole file.")
