"""Who ended the job or brought the set-points back, and who signed what."""

from __future__ import annotations

from datetime import datetime

from django.utils.translation import gettext as _
from reportlab.platypus import Flowable

from . import styles, texts
from .display import Display
from .document import ApprovalEntry, Document, Signature


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
    return name if when is None else f"{name}, {Display.of(document).stamp(when)}"


def closing(document: Document, width: float) -> list[Flowable]:
    """How the job ended, where nobody signed that it is complete."""
    if document.ending is None or not document.ending.content_sha256:
        return []
    text = _("Told on the first page. Nobody signs this; the SHA-256 of the record as it then stood is %(hash)s.")
    body = styles.paragraph(text % {"hash": document.ending.content_sha256}, styles.SMALL)
    return styles.section(_("How the job ended"), [body], width)


def signatures(document: Document, width: float) -> list[Flowable]:
    """Who decided and who signed what; an approval is told once, with its reason and the hash of what was shown."""
    decided = {(approval.decided_by, approval.decided_at) for approval in document.approvals}
    items = [_approval(approval, document) for approval in document.approvals]
    items += [
        _signature(signature, document)
        for signature in document.signatures
        if signature.meaning != "approval" or (signature.name, signature.signed_at) not in decided
    ]
    if not items:
        return []
    title = _("Signatures, approvals and refusals") if document.signatures else _("Approvals and refusals")
    return styles.section(title, [styles.bullet_markup(item, styles.SMALL_ITEM) for item in items], width)


def _approval(approval: ApprovalEntry, document: Document) -> str:
    subject = texts.wording(texts.APPROVAL_SUBJECTS, approval.subject)
    decision = texts.wording(texts.APPROVAL_DECISIONS, approval.decision)
    role = texts.wording(texts.ROLES, approval.role)
    by = [approval.decided_by, role, Display.of(document).stamp(approval.decided_at)]
    by += [_("self-approved")] if approval.self_approved else []
    told = styles.markup(f"{approval.reason} ({', '.join(by)})")
    return f"{styles.bold(f'{subject}: {decision}')}. {told}{_hash(approval.content_sha256)}"


def _signature(signature: Signature, document: Document) -> str:
    meaning = texts.wording(texts.SIGNATURE_MEANINGS, signature.meaning)
    by = [signature.name, texts.wording(texts.ROLES, signature.role), Display.of(document).stamp(signature.signed_at)]
    return f"{styles.bold(meaning)}: {styles.markup(', '.join(by))}.{_hash(signature.content_sha256)}"


def _hash(content_sha256: str) -> str:
    """Of what was shown to whom signed or decided."""
    return " " + styles.markup(f"SHA-256 {content_sha256}") if content_sha256 else ""
