"""How the job ended: signatures, what is still to be mended, departures from the ordinary course."""

from __future__ import annotations

import uuid

from django.utils.translation import gettext as _

from calibration.models import Job
from calibration.rules.texts import finding_detail
from fleet.models import LedgerEntry

from ..certificate import document as doc
from ..certificate.texts import READINESS_ITEMS, RIDE_POSITIONS, wording
from .source import Source


def signatures(source: Source) -> tuple[doc.Signature, ...]:
    return (*_approvals(source), *_closings(source), *_replacements(source))


def ending(source: Source) -> doc.Ending | None:
    """Why a job ended without sign-off, and what has to be mended; None where it was signed off."""
    job = source.case.job
    if job.state == Job.State.SIGNED_OFF:
        return None
    reason, by = _ending_reason(source)
    return doc.Ending(reason=reason, ended_by=source.name(by), to_mend=to_mend(source))


def to_mend(source: Source) -> tuple[str, ...]:
    """A sentence for each thing that stood in the way of sign-off."""
    standing = source.case.standing
    standing_findings = [*standing.stops, *standing.rejected, *standing.missing_rulings]
    failed = [item for item, outcome in standing.readiness.items() if outcome == "fail"]
    sentences = [
        *(finding_detail(each.code, each.corner, each.values) for each in standing_findings),
        *(_failed_item(source, item) for item in failed),
    ]
    return tuple(dict.fromkeys(sentences))


def departures(source: Source) -> tuple[str, ...]:
    """What was not as usual and is not among the findings."""
    return (*_pauses(source), *_reversions(source), *_unusual_rounds(source))


def ledger_reference(source: Source) -> doc.LedgerReference | None:
    """The vehicle's last ledger entry: by the chain of hashes it stands for all before it."""
    last = LedgerEntry.objects.filter(book=source.case.job.vehicle_id).order_by("-sequence").first()
    return doc.LedgerReference(last.sequence, last.hash) if last else None


def _approvals(source: Source) -> list[doc.Signature]:
    return [
        doc.Signature(
            name=source.name(each.recorded_by),
            role=source.role(each.recorded_by, deciding=True),
            meaning="approval",
            signed_at=source.local(each.recorded_at),
            content_sha256=each.content_sha256,
        )
        for each in source.case.decisions
        if each.decision == "approve"
    ]


def _closings(source: Source) -> list[doc.Signature]:
    signed = [("work_complete", each, each.content_sha256) for each in source.case.sign_offs]
    reverted = source.case.job.state == Job.State.REVERTED
    meaning = "reverted" if reverted else "job_ended"
    ended = [(meaning, each, source.case.standing.content_sha256) for each in source.case.ends]
    return [
        doc.Signature(
            name=source.name(each.recorded_by),
            role=source.role(each.recorded_by),
            meaning=code,
            signed_at=source.local(each.recorded_at),
            content_sha256=sha256,
        )
        for code, each, sha256 in (*signed, *ended)
        if each.recorded_by is not None
    ]


def _replacements(source: Source) -> list[doc.Signature]:
    """Who asked for this replacement, over the bytes that it replaces."""
    certificate = source.certificate
    if certificate.replaces is None or certificate.requested_by is None:
        return []
    return [
        doc.Signature(
            name=source.name(certificate.requested_by),
            role=source.role(certificate.requested_by, deciding=True),
            meaning="certificate_replaced",
            signed_at=source.local(certificate.requested_at),
            content_sha256=certificate.replaces.file.sha256,
        )
    ]


def _ending_reason(source: Source) -> tuple[str, uuid.UUID | None]:
    if source.case.ends:
        return source.case.ends[-1].reason, source.case.ends[-1].recorded_by
    if source.case.reversions:
        return source.case.reversions[-1].reason, source.case.reversions[-1].recorded_by
    return "", None


def _failed_item(source: Source, item: str) -> str:
    notes = [each.checks[item].get("note") for each in source.case.readiness if item in each.checks]
    name = wording(READINESS_ITEMS, item)
    if notes and notes[-1]:
        return _("Readiness, %(item)s: failed (%(note)s).") % {"item": name, "note": notes[-1]}
    return _("Readiness, %(item)s: failed.") % {"item": name}


def _pauses(source: Source) -> list[str]:
    text = _("The job was paused on %(when)s: %(reason)s.")
    return [
        text
        % {
            "when": source.local(each.recorded_at).strftime("%Y-%m-%d %H:%M"),
            "reason": each.reason.rstrip("."),
        }
        for each in source.case.pauses
    ]


def _reversions(source: Source) -> list[str]:
    text = _("Return to the earlier set-points was decided on %(when)s: %(reason)s.")
    return [
        text
        % {
            "when": source.local(each.recorded_at).strftime("%Y-%m-%d %H:%M"),
            "reason": each.reason.rstrip("."),
        }
        for each in source.case.reversions
    ]


def _unusual_rounds(source: Source) -> list[str]:
    sentences = []
    for number, each in enumerate(source.case.rounds, start=1):
        if each.ride_position != "normal":
            text = _("Round %(number)s was measured at the ride position “%(position)s” and is not judged.")
            position = wording(RIDE_POSITIONS, each.ride_position)
            sentences.append(text % {"number": number, "position": position})
        if not each.settled:
            text = _("Round %(number)s was measured before the suspension had settled and is not judged.")
            sentences.append(text % {"number": number})
    return sentences
