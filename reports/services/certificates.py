"""Certificates and findings reports: numbered, drawn, kept, replaced. Nothing here happens twice.

Whoever makes or issues a certificate holds the lock of its job's row, and the database allows one first
certificate for a job and one replacement for a certificate.
"""

from __future__ import annotations

import hashlib
import uuid
from collections.abc import Mapping
from typing import Any, Final

from django.utils.translation import gettext as _

from calibration.models import Job
from calibration.selectors.casefile import CaseFile
from fleet import ledger, outbox
from fleet.actor import Actor
from fleet.canonical import canonical
from fleet.errors import Conflict, NotFound
from fleet.models import Workshop
from fleet.numbering import next_number
from fleet.permissions import Permission, require
from fleet.services.checkpoints import checkpoint_make

from ..certificate.document import to_json
from ..certificate.identity import identity
from ..certificate.proof import Proof
from ..certificate.render import RENDERER_VERSION
from ..models import Certificate, CertificateFile
from ..selectors.certificates import PAGE_SIZE_OF_WORKSHOP
from ..selectors.proofs import ISSUED, PREPARED, proof_against
from ..selectors.recipients import of_certificate
from ..snapshot import document_of

SERIES: Final = "certificate"
ISSUE_KIND: Final = "reports.certificate_issue"
ISSUED_KIND: Final = "reports.certificate_issued"
State = Certificate.State


def certificate_prepare(*, actor: Actor, job_id: uuid.UUID) -> Certificate | None:
    """The first certificate of a closed job, numbered and issued; the one there is where it was made before.

    None where there is no such job, or it is open.
    """
    job = _locked_job(job_id)
    if job is None or job.is_open:
        return None
    made = Certificate.objects.filter(job=job, replaces__isnull=True).first()
    return made or _issue(actor, _numbered(actor, job), job)


def certificate_replace(*, actor: Actor, record_id: uuid.UUID, number: int, reason: str) -> Certificate:
    """Ask for a new certificate that names the old one, which holds until a worker has issued the new one."""
    require(actor, Permission.RULE)
    certificate = Certificate.objects.filter(number=number).first()
    job = _locked_job(certificate.job_id) if certificate else None
    if certificate is None or job is None:
        raise NotFound
    _require_replaceable(certificate)
    replacement = _numbered(actor, job, record_id=record_id, replaces=certificate, reason=reason)
    ledger.append(actor, "certificate_replacement_requested", replacement, vehicle=job.vehicle)
    outbox.append(actor, ISSUE_KIND, {"certificate": str(replacement.pk)})
    return replacement


def certificate_send_again(*, actor: Actor, record_id: uuid.UUID, number: int) -> Certificate:
    """Have it e-mailed once more to whoever gets it now: the operator, and its contacts."""
    require(actor, Permission.RECORD_FACTS)
    certificate = Certificate.objects.filter(number=number).first()
    if certificate is None:
        raise NotFound
    if certificate.state == State.PREPARING:
        raise Conflict(_("It is sent by itself as soon as it is issued."), code="certificate_preparing")
    if certificate.state == State.REPLACED:
        raise Conflict(
            _("Certificate %(number)s was replaced: it holds no more. Send the one that took its place.")
            % {"number": certificate.number},
            code="certificate_replaced",
        )
    if not of_certificate(certificate.pk):
        raise Conflict(
            _(
                "Nobody is there to send it to: the operator has no e-mail address, or wants none of these e-mails. "
                "Give the operator an address, or print the PDF and hand it over."
            ),
            code="no_recipients",
        )
    outbox.append(actor, ISSUED_KIND, {"certificate": str(certificate.pk), "sending": str(record_id)})
    return certificate


def certificate_replace_after_refiling(*, actor: Actor, job_id: uuid.UUID) -> Certificate | None:
    """Replace what was issued for a vehicle that the job was not about; None where nothing was."""
    job = _locked_job(job_id)
    newest = Certificate.objects.filter(job_id=job_id).order_by("-number").first()
    if job is None or newest is None or newest.state == State.PREPARING or newest.vehicle_id == job.vehicle_id:
        return None
    reason = _("The job was filed under another vehicle by mistake.")
    return _issue(actor, _numbered(actor, job, replaces=newest, reason=reason), job)


def certificate_issue(*, actor: Actor, certificate_id: uuid.UUID) -> Certificate | None:
    """Issue a certificate in preparation; one that is issued stays as it is. None where it is gone."""
    job_id = Certificate.objects.filter(pk=certificate_id).values_list("job", flat=True).first()
    job = _locked_job(job_id) if job_id else None
    if job is None:
        return None
    certificate = Certificate.objects.get(pk=certificate_id)
    return _issue(actor, certificate, job) if certificate.state == State.PREPARING else certificate


def _locked_job(job_id: uuid.UUID) -> Job | None:
    """The lock is a statement of its own: what follows sees what its last holder committed."""
    Job.objects.select_for_update(no_key=True).filter(pk=job_id).first()
    return Job.objects.select_related("vehicle").filter(pk=job_id).first()


def _require_replaceable(certificate: Certificate) -> None:
    if certificate.state == State.PREPARING:
        raise Conflict(
            _("Certificate %(number)s is still in preparation. Replace it once it is issued.")
            % {"number": certificate.number},
            code="certificate_preparing",
        )
    replacement = certificate.replacements.first()
    if replacement is not None:
        raise Conflict(
            _("Certificate %(number)s is replaced by %(replacement)s. Replace that one instead.")
            % {"number": certificate.number, "replacement": replacement.number},
            code="certificate_replaced",
        )


def _numbered(
    actor: Actor,
    job: Job,
    *,
    record_id: uuid.UUID | None = None,
    replaces: Certificate | None = None,
    reason: str = "",
) -> Certificate:
    named = {"id": record_id} if record_id else {}
    return Certificate.objects.create(
        **named,
        number=next_number(actor, SERIES),
        kind=Certificate.Kind.CERTIFICATE if _may_be_certified(job) else Certificate.Kind.FINDINGS_REPORT,
        job=job,
        vehicle=job.vehicle,
        replaces=replaces,
        reason=reason,
        requested_at=actor.now,
        requested_by=actor.membership_id,
    )


def _may_be_certified(job: Job) -> bool:
    """Signed off, and judged as another model's vehicle or with a late record that still stands."""
    if job.state != Job.State.SIGNED_OFF or job.closed_at is None:
        return False
    case = CaseFile(job)
    assessment = case.standing.assessment
    if assessment is None or assessment.verdict == "outside":
        return False
    refiled_since = any(each.recorded_at > job.closed_at for each in case.refilings)
    return assessment.verdict == "within" or not refiled_since


def _issue(actor: Actor, certificate: Certificate, job: Job) -> Certificate:
    """One transaction: what it says is recorded, a signed head includes that, then the pages name both."""
    certificate.vehicle = job.vehicle
    snapshot = to_json(document_of(actor, certificate))
    proof = _recorded(actor, certificate, snapshot)
    file = _drawn(actor, certificate, snapshot, proof)
    certificate.state = State.ISSUED
    certificate.issued_at = actor.now
    certificate.recipients = len(of_certificate(certificate.pk))
    certificate.version += 1
    certificate.save(update_fields=["vehicle", "state", "issued_at", "recipients", "version"])
    file.save(force_insert=True)
    replaced = _mark_replaced(certificate)
    ledger.append(actor, ISSUED, certificate, vehicle=job.vehicle, rows=[file, *replaced])
    outbox.append(actor, ISSUED_KIND, {"certificate": str(certificate.pk)})
    return certificate


def _recorded(actor: Actor, certificate: Certificate, snapshot: Mapping[str, Any]) -> Proof:
    """Have the ledger say what will be issued and who will sign it; the proof that a signed head includes it."""
    facts = {
        "snapshot_sha256": _sha256(canonical(snapshot)),
        "renderer_version": RENDERER_VERSION,
        "signing_certificate_sha256": identity().sha256,
    }
    entry = ledger.append(actor, PREPARED, certificate, vehicle=certificate.vehicle, facts=facts)
    return proof_against(entry, checkpoint_make(actor=actor))


def _drawn(actor: Actor, certificate: Certificate, snapshot: dict[str, Any], proof: Proof) -> CertificateFile:
    """Snapshot and pages. They are drawn from the snapshot as stored, so that they can be drawn again."""
    # Loaded by whoever draws first: web processes hold this module and draw nothing.
    from ..certificate.signing import signed_file
    from ..certificate.unsigned import unsigned_file

    workshop = Workshop.objects.get(pk=actor.workshop_id)
    page_size = PAGE_SIZE_OF_WORKSHOP[workshop.page_size]
    unsigned = unsigned_file(snapshot, proof, page_size=page_size)
    pdf = signed_file(unsigned, identity(), workshop=workshop.name)
    return CertificateFile(
        certificate=certificate,
        recorded_at=actor.now,
        recorded_by=actor.membership_id,
        snapshot=snapshot,
        snapshot_sha256=_sha256(canonical(snapshot)),
        renderer_version=RENDERER_VERSION,
        page_size=page_size,
        pdf=pdf,
        sha256=_sha256(pdf),
    )


def _sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _mark_replaced(certificate: Certificate) -> list[Certificate]:
    old = certificate.replaces
    if old is None:
        return []
    old.state = State.REPLACED
    old.version += 1
    old.save(update_fields=["state", "version"])
    return [old]
