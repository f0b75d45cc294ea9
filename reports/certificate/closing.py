"""Who ended the job or brought the set-points back, and who signed what."""

from __future__ import annotations

from datetime import datetime

from django.utils.translation import gettext as _
from reportlab.platypus import Flowable

from . import styles, texts
from .display import Display
from .document import Document, Signature


def closing_sentences(document: Document) -> list[str]:
    """Of a job that ended without sign-off: who decided it, and who brought back what was found."""
    ending = document.ending
    if ending is None or not ending.ended_by:
        return []
    role = texts.wording(texts.ROLES, ending.role) if ending.role else ""
    by = _by(document, ", ".join(part for part in (ending.ended_by, role) if part), ending.ended_at)
    if document.job.state != "reverted":
        return [_("The job was ended without completion by %(by)s.") % {"by": by}]
    return [_("Return to the earlier set-points: decided by %(by)s.") % {"by": by}, *_brought_back(document)]


def _brought_back(document: Document) -> list[str]:
    sentences = []
    written = [write for write in document.counted_writes if write.proposal == "reversion"]
    if written:
        by = _by(document, written[-1].written_by, written[-1].written_at)
        sentences.append(_("Written back by %(by)s.") % {"by": by})
    measured = document.counted_rounds
    if measured:
        by = _by(document, measured[-1].measured_by, measured[-1].taken_at)
        sentences.append(_("Measured afterwards by %(by)s.") % {"by": by})
    return sentences


def _by(document: Document, name: str, when: datetime | None) -> str:
    return name if when is None else f"{name}, {Display.of(document).stamp_with_zone(when)}"


def closing(document: Document, width: float) -> list[Flowable]:
    """How the job ended, where nobody signed that it is complete."""
    sentences = closing_sentences(document)
    if document.ending is None or not sentences:
        return []
    sentences.append(_("Nobody signs this; the SHA-256 of the record as it then stood is below."))
    body = [
        styles.paragraph(" ".join(sentences), styles.SMALL),
        styles.paragraph(document.ending.content_sha256, styles.HASH),
    ]
    return styles.section(_("How the job ended"), body if document.ending.content_sha256 else body[:1], width)


def signatures(document: Document, width: float) -> list[Flowable]:
    if not document.signatures:
        return []
    head = [_("By"), _("Meaning"), _("When"), _("SHA-256 of what was signed or approved")]
    widths = [width * share for share in (0.21, 0.19, 0.15, 0.45)]
    rows = [_row(signature, document) for signature in document.signatures]
    return styles.section(_("Signatures and approvals"), [styles.ruled_table([head], rows, widths)], width)


def _row(signature: Signature, document: Document) -> list[styles.Cell]:
    role = texts.wording(texts.ROLES, signature.role)
    return [
        f"{styles.bold(signature.name)}, {styles.markup(role)}",
        styles.markup(texts.wording(texts.SIGNATURE_MEANINGS, signature.meaning)),
        styles.markup(Display.of(document).stamp(signature.signed_at)),
        styles.paragraph(signature.content_sha256, styles.HASH),
    ]
