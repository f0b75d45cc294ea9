"""The signature of issued files, by two programs that did not make it, and the file's structure by a third."""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Callable
from io import BytesIO
from pathlib import Path
from typing import Any

import pikepdf
import pytest
from django.utils import timezone
from pyhanko.pdf_utils.reader import PdfFileReader
from pyhanko.sign.validation import validate_pdf_signature
from pyhanko.sign.validation.status import PdfSignatureStatus, SignatureCoverageLevel
from pyhanko_certvalidator import ValidationContext

from fleet.actor import Actor
from fleet.canonical import canonical
from fleet.tenancy import in_workshop
from reports.certificate.identity import identity
from reports.models import Certificate, CertificateFile
from reports.selectors.proofs import proof_of
from reports.services.certificates import certificate_prepare
from tests.factories import Site

from . import jobs


def issued(site: Site, made: Callable[[Site], jobs.Bench]) -> tuple[Certificate, CertificateFile]:
    bench = made(site)
    with in_workshop(site.workshop.pk):
        actor = Actor.system(site.workshop.pk, timezone.now())
        certificate = certificate_prepare(actor=actor, job_id=bench.job_id)
        assert certificate is not None
        return certificate, CertificateFile.objects.get(certificate=certificate)


def attached(pdf: bytes) -> dict[str, Any]:
    with pikepdf.open(BytesIO(pdf)) as opened:
        content: dict[str, Any] = json.loads(opened.attachments["record.json"].get_file().read_bytes())
        return content


def pdfsig(path: Path) -> subprocess.CompletedProcess[str]:
    """By poppler, which checks with NSS."""
    program = shutil.which("pdfsig")
    assert program is not None, "install Debian's package poppler-utils"
    return subprocess.run([program, "-nocert", str(path)], capture_output=True, text=True, check=False)


def validated(pdf: bytes) -> PdfSignatureStatus:
    reader = PdfFileReader(BytesIO(pdf))
    [signature] = reader.embedded_signatures
    own = signature.signer_cert
    return validate_pdf_signature(signature, ValidationContext(trust_roots=[own], allow_fetching=False))


@pytest.mark.parametrize("made", [jobs.adjusted, jobs.ended])
def test_pyhanko_finds_the_signature_whole_and_by_the_installations_certificate(
    site: Site, made: Callable[[Site], jobs.Bench]
) -> None:
    _certificate, file = issued(site, made)
    status = validated(bytes(file.pdf))
    assert status.bottom_line, status
    assert status.coverage == SignatureCoverageLevel.ENTIRE_FILE
    assert status.signing_cert.sha256.hex() == identity().sha256


def test_pdfsig_finds_the_signature_valid_and_over_the_whole_file(site: Site, tmp_path: Path) -> None:
    _certificate, file = issued(site, jobs.adjusted)
    path = tmp_path / "certificate.pdf"
    path.write_bytes(bytes(file.pdf))
    run = pdfsig(path)
    assert "Signature is Valid." in run.stdout, run
    assert "Total document signed" in run.stdout
    assert "ETSI.CAdES.detached" in run.stdout


@pytest.mark.parametrize("place", ["record.json", "Levelbook", "/Contents <"])
def test_a_changed_byte_is_found_by_both(site: Site, tmp_path: Path, place: str) -> None:
    """The same questions as above, which have to be answered otherwise."""
    _certificate, file = issued(site, jobs.left_alone)
    pdf = bytearray(bytes(file.pdf))
    at = pdf.index(place.encode()) + len(place) + (40 if place == "/Contents <" else -1)
    pdf[at] = ord("0") if pdf[at] != ord("0") else ord("1")
    path = tmp_path / "changed.pdf"
    path.write_bytes(bytes(pdf))
    run = pdfsig(path)
    assert "Signature is Valid." not in run.stdout
    try:
        is_good = validated(bytes(pdf)).bottom_line
    except Exception:  # noqa: BLE001  (a file that cannot be read any more is not good either)
        is_good = False
    assert not is_good


@pytest.mark.parametrize("made", [jobs.adjusted, jobs.ended])
def test_the_file_has_the_structure_of_an_archive_and_qpdf_finds_nothing_wrong(
    site: Site, made: Callable[[Site], jobs.Bench]
) -> None:
    certificate, file = issued(site, made)
    with pikepdf.open(BytesIO(bytes(file.pdf))) as pdf:
        assert pdf.check_pdf_syntax() == []
        root = pdf.Root
        assert str(root.Lang) == "en"
        assert root.ViewerPreferences.DisplayDocTitle
        assert root.OutputIntents[0].S == "/GTS_PDFA1"
        [associated] = root.AF
        assert associated.AFRelationship == "/Data"
        assert str(associated.UF) == "record.json"
        with pdf.open_metadata() as metadata:
            assert metadata["dc:title"].endswith(f" {certificate.number}")
            assert "pdfaid:part" not in metadata, "nobody validated it"
        with pdf.open_outline() as outline:
            kind, evidence = outline.root
            assert kind.title == {"certificate": "Certificate", "findings_report": "Findings report"}[certificate.kind]
            assert evidence.title == "How it was measured and decided"
            assert [child.title for child in kind.children][-1] == "Cautions"
            assert [child.title for child in evidence.children][-1] == "Record"


def test_the_record_is_attached_as_canonical_json_with_its_proof(site: Site) -> None:
    certificate, file = issued(site, jobs.adjusted)
    record = attached(bytes(file.pdf))
    with in_workshop(site.workshop.pk):
        proof = proof_of(certificate)
    assert record["format"] == "levelbook-certificate/1"
    assert record["document"] == file.snapshot
    assert record["entry"] == proof.entry
    assert record["entry"]["payload"]["facts"] == {
        "snapshot_sha256": file.snapshot_sha256,
        "renderer_version": file.renderer_version,
        "signing_certificate_sha256": identity().sha256,
    }
    assert list(record["entry"]["payload"]["rows"]) == ["reports.certificate"]
    assert canonical(record) in bytes(file.pdf)
