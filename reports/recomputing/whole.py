"""All comparisons of one certificate, in the order in which what comes later rests on what comes before."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from ..models import Certificate, CertificateFile
from .carried import proof_on_pages
from .file import check_signature, compare_bytes, compare_text, drawn_again
from .record import PART as DATA
from .record import compare_data
from .recorded import proof_in_order, require_issued, require_prepared, was_signed
from .result import NotProvenError, Outcome, Result


def recomputed(certificate: Certificate) -> Iterator[Result]:
    """What came of each comparison. What the ledger does not bear out is compared no further."""
    file = CertificateFile.objects.get(certificate=certificate)
    try:
        require_issued(certificate, file)
        if not was_signed(file):
            said = f"Version {file.renderer_version} issued it, which signed nothing; the ledger holds its hashes."
            yield Result("ledger", Outcome.NOT_COMPARABLE, said)
            return
        proof = proof_in_order(certificate)
        require_prepared(file, proof)
        on_pages = proof_on_pages(file, proof)
    except NotProvenError as error:
        yield Result("ledger", Outcome.BAD, str(error))
        return
    said = f"Entry {proof.sequence} of the vehicle's ledger, in the signed head of {proof.size} entries."
    if on_pages is not proof:
        said += f" An archive brought it; what its file says of entry {on_pages.sequence} of the old ledger holds, too."
    yield Result("ledger", Outcome.PROVEN, said)
    yield _result(DATA, lambda: compare_data(certificate, file, proof))
    try:
        again = drawn_again(file, on_pages)
    except NotProvenError as error:
        yield Result("text", Outcome.BAD, str(error))
        return
    yield _result("text", lambda: compare_text(file, again))
    yield _result("bytes", lambda: compare_bytes(file, again))
    yield _result("signature", lambda: check_signature(file, on_pages))


def _result(part: str, compare: Callable[[], Result]) -> Result:
    try:
        return compare()
    except NotProvenError as error:
        return Result(part, Outcome.BAD, str(error))
