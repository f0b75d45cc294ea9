"""The file before it is signed: pages, the record attached, and the structure of a PDF/A-3.

A pure function of the stored snapshot, its proof, page size and renderer version: equal arguments give equal bytes, and
the signature is an addition behind them. No validator has looked at it, so conformity is not claimed.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from functools import cache
from io import BytesIO
from pathlib import Path
from typing import Any, Final

import pikepdf
from django.utils import translation
from django.utils.translation import gettext as _
from pikepdf import Array, AttachedFileSpec, Dictionary, Name, ObjectStreamMode, Pdf, StreamDecodeLevel

from .document import from_json
from .layout import PageSize, pdf_date
from .proof import FILE_NAME, Proof, record_json
from .render import RENDERER_VERSION, render

PDF_VERSION: Final = "1.7"
"""PDF/A-3 is built on it (ISO 32000-1)."""
_PROFILE: Final = Path(__file__).with_name("srgb.icc")
"""The standard's own colours as LittleCMS writes them, with a fixed date."""
_PROFILE_NAME: Final = "sRGB IEC61966-2.1"


def unsigned_file(
    snapshot: Mapping[str, Any], proof: Proof, *, page_size: PageSize, renderer_version: str = RENDERER_VERSION
) -> bytes:
    """All of a certificate but its signature, from the snapshot as stored."""
    document = from_json(snapshot)
    pages = render(document, page_size=page_size, renderer_version=renderer_version, proof=proof)
    record = record_json(snapshot, proof, renderer_version)
    with translation.override(document.language):
        described = _("The record as data, with the proof that the workshop's ledger holds it")
    return archived(pages, described=described, record=record, made_at=pdf_date(document.issued_at))


def archived(pages: bytes, *, described: str = "", record: bytes = b"", made_at: str) -> bytes:
    """The pages with colours that mean the same everywhere, metadata and, where there is one, the record attached.

    Streams stay as they are, as what deflate makes of them differs between builds of zlib.
    """
    with pikepdf.open(BytesIO(pages)) as pdf:
        _add_output_intent(pdf)
        _add_metadata(pdf)
        if record:
            _attach(pdf, record, described, made_at)
        target = BytesIO()
        pdf.save(
            target,
            min_version=PDF_VERSION,
            deterministic_id=True,
            compress_streams=False,
            stream_decode_level=StreamDecodeLevel.none,
            object_stream_mode=ObjectStreamMode.disable,
            fix_metadata_version=False,
        )
        return target.getvalue()


def _add_output_intent(pdf: Pdf) -> None:
    profile = pdf.make_stream(_profile(), N=3, Alternate=Name.DeviceRGB)
    intent = Dictionary(
        Type=Name.OutputIntent,
        S=Name.GTS_PDFA1,
        OutputConditionIdentifier=pikepdf.String(_PROFILE_NAME),
        Info=pikepdf.String(_PROFILE_NAME),
        DestOutputProfile=profile,
    )
    pdf.Root.OutputIntents = Array([pdf.make_indirect(intent)])


@cache
def _profile() -> bytes:
    return _PROFILE.read_bytes()


def _add_metadata(pdf: Pdf) -> None:
    """As XMP what ReportLab wrote as document information."""
    with warnings.catch_warnings(), pdf.open_metadata(set_pikepdf_as_editor=False, update_docinfo=False) as metadata:
        warnings.simplefilter("ignore", UserWarning)  # /Trapped has no place in it
        metadata.load_from_docinfo(pdf.docinfo)


def _attach(pdf: Pdf, record: bytes, described: str, made_at: str) -> None:
    """As an associated file (ISO 19005-3, 6.8): readers list it, and programs find it from the catalogue."""
    attached = AttachedFileSpec(
        pdf,
        record,
        description=described,
        filename=FILE_NAME,
        mime_type="application/json",
        creation_date=made_at,
        mod_date=made_at,
        relationship=Name.Data,
    )
    pdf.attachments[FILE_NAME] = attached
    pdf.Root.AF = Array([attached.obj])
