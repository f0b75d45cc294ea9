"""One document from one job's records, complete and by itself: names are taken into it."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.conf import settings
from django.utils import translation

from calibration.selectors.casefile import case_of
from fleet.actor import Actor
from fleet.models import Workshop

from ..certificate import document as doc
from ..codes import grouped
from ..models import Certificate
from . import closing, consequences, heights, identity, leaks, work
from .source import Source


def document_of(actor: Actor, certificate: Certificate) -> doc.Document:
    """The document of a numbered certificate, as its job's records now stand."""
    case = case_of(actor, certificate.job_id)
    workshop = Workshop.objects.get(pk=actor.workshop_id)
    with translation.override(workshop.language):
        return _document(Source(certificate, case, workshop, actor.now))


def verification_url(code: str) -> str:
    return f"{settings.PUBLIC_URL}/verify/{code}"


def _document(source: Source) -> doc.Document:
    certificate = source.certificate
    found, left, rounds = heights.as_found(source), heights.as_left(source), heights.rounds(source)
    return doc.Document(
        kind=certificate.kind,  # type: ignore[arg-type]
        number=str(certificate.number),
        issued_at=source.local(source.issued_at),
        verification_code=grouped(certificate.code),
        verification_url=verification_url(certificate.code),
        workshop=identity.workshop(source),
        operator=identity.operator(source),
        vehicle=identity.vehicle(source),
        job=_job(source),
        calculation_version=_calculation_version(source),
        tyres=identity.tyres(source),
        specification=identity.specification(source),
        as_found=found,
        as_left=left,
        setpoints=work.setpoints(source),
        writes=work.writes(source),
        rounds=rounds,
        strikes=heights.strikes(source),
        leak_tests=leaks.leak_tests(source),
        readiness=work.readiness(source),
        instruments=identity.instruments(source),
        findings=work.findings(source),
        approvals=work.approvals(source),
        concession=work.concession(source),
        events=work.events(source),
        not_adjustable_here=heights.not_adjustable_here(source),
        consequences=consequences.consequences(source, found, left),
        follow_ups=consequences.follow_ups(source, found, left, rounds),
        departures=closing.departures(source),
        signatures=closing.signatures(source),
        ending=closing.ending(source),
        replaces=closing.replacement(source),
        single_person_workshop=source.workshop.single_person,
        photos=len(source.case.photos),
        units=source.units,
        language=source.workshop.language,
    )


def _job(source: Source) -> doc.JobSummary:
    job = source.case.job
    state: Any = job.state
    closed_at: datetime = job.closed_at or source.issued_at
    sign_offs = source.case.sign_offs
    return doc.JobSummary(
        number=str(job.number),
        reason=job.reason,
        state=state,
        opened_at=source.local(job.opened_at),
        closed_at=source.local(closed_at),
        place=job.bay.name if job.bay else "",
        note=job.note,
        remark=sign_offs[-1].remark if sign_offs else "",
    )


def _calculation_version(source: Source) -> str:
    """Which version of the calculations gave the figures; a job without a verdict has none."""
    assessments = source.case.assessments
    return str(assessments[-1].computed_with["metrology_version"]) if assessments else ""
