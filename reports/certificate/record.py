"""Closing lines: remarks, what is replaced, where the record stands, and a clear end."""

from __future__ import annotations

from django.utils.translation import gettext as _
from django.utils.translation import pgettext
from reportlab.platypus import Flowable, Paragraph

from . import styles, texts
from .display import DASH, Display
from .document import Document
from .proof import FILE_NAME, Proof


def record(document: Document, width: float, renderer_version: str, proof: Proof | None) -> list[Flowable]:
    """Closing lines, and a clear end (ISO/IEC 17025 7.8.2.1 d)."""
    lines = [
        *_circumstances(document),
        *_replacement(document),
        *_ledger(proof),
        *_colophon(document, renderer_version),
    ]
    end = _("End of %(kind)s no. %(number)s") % {
        "kind": texts.kind_in_sentence(document.kind),
        "number": document.number,
    }
    body: list[Flowable] = [styles.paragraph(text, styles.SMALL) for text in _remarks(document)]
    last = f"{styles.markup(' '.join(lines))} {styles.bold(f'{end}.')}"
    return styles.section(pgettext("noun", "Record"), [*body, Paragraph(last, styles.SMALL)], width)


def _remarks(document: Document) -> list[str]:
    job = document.job
    lines = [_("Job note: %(note)s") % {"note": job.note}] if job.note else []
    return lines + ([_("Remark at sign-off: %(remark)s") % {"remark": job.remark}] if job.remark else [])


def _circumstances(document: Document) -> list[str]:
    lines = []
    if document.single_person_workshop:
        lines.append(_("This workshop has one person, who approves alone where marked self-approved."))
    if document.photos:
        lines.append(_("Photographs kept with the record: %(count)s.") % {"count": document.photos})
    return lines


def _replacement(document: Document) -> list[str]:
    replaced = document.replaces
    if replaced is None:
        return []
    text = _("Replaces no. %(number)s. Reason: %(reason)s.")
    lines = [text % {"number": replaced.number, "reason": replaced.reason.rstrip(".") or DASH}]
    if replaced.asked_by:
        when = Display.of(document).stamp(replaced.asked_at)
        lines.append(_("Asked for by %(name)s, %(when)s.") % {"name": replaced.asked_by, "when": when})
    return lines


def _ledger(proof: Proof | None) -> list[str]:
    """Short forms; the whole is attached."""
    if proof is None:
        return []
    text = _(
        "Vehicle ledger, entry %(sequence)s, hash %(hash)s, in the signed head over %(size)s entries, root %(root)s: "
        "in full, with the proof, in the attached file %(file)s."
    )
    return [
        text
        % {
            "sequence": proof.sequence,
            "hash": proof.short_hash,
            "size": proof.size,
            "root": proof.short_root,
            "file": FILE_NAME,
        }
    ]


def _colophon(document: Document, renderer_version: str) -> list[str]:
    verify = _("Verify at %(url)s, code %(code)s.")
    lines = [
        verify % {"url": document.verification_url, "code": document.verification_code},
        *_versions(document, renderer_version),
    ]
    if document.units.length == "inch":
        lines.append(_("Measured and recorded in mm; 1 in = 25.4 mm exactly."))
    return lines


def _versions(document: Document, renderer_version: str) -> list[str]:
    """With these the same record gives the same figures and pages again."""
    if not document.calculation_version:
        return [_("Made by Levelbook, page layout version %(renderer)s.") % {"renderer": renderer_version}]
    text = _("Made by Levelbook: figures by calculation method version %(method)s, page layout version %(renderer)s.")
    return [text % {"method": document.calculation_version, "renderer": renderer_version}]
