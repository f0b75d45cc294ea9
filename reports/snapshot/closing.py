"""How the job ended: signatures, what is still to be mended, departures from the ordinary course."""

from __future__ import annotations

from django.utils.translation import gettext as _

from calibration.models import Job, JobEnd, Reversion
from calibration.rules.record import FindingRaised

from ..certificate import document as doc
from ..certificate.texts import READINESS_ITEMS, RIDE_POSITIONS, wording
from .finding_words import REMEDIES, place, remedy, statement
from .source import Source


def signatures(source: Source) -> tuple[doc.Signature, ...]:
    """Sign-offs and approvals: over the hash of what was shown. Nobody signs that a job ended."""
    return (*_approvals(source), *_sign_offs(source))


def ending(source: Source) -> doc.Ending | None:
    """Why a job ended without sign-off, and what has to be mended; None where it was signed off."""
    if source.case.job.state == Job.State.SIGNED_OFF:
        return None
    ends: list[JobEnd | Reversion] = [*source.case.reversions, *source.case.ends]
    last = ends[-1] if ends else None
    return doc.Ending(
        reason=last.reason if last else "",
        ended_by=source.name(last.recorded_by) if last else "",
        to_mend=to_mend(source),
        role=source.role(last.recorded_by) if last else "",
        ended_at=source.local(last.recorded_at) if last else None,
        content_sha256=source.case.standing.content_sha256,
    )


def to_mend(source: Source) -> tuple[str, ...]:
    """A sentence for each thing to be mended on the vehicle that still stands."""
    standing = source.case.standing
    found = [each for each in source.case.record.findings if standing.is_live(each)]
    told = [remedy(each.code, each.corner or "", each.values) for each in found]
    told += [_not_accepted(source, each) for each in standing.rejected if each.code not in REMEDIES]
    failed = [item for item, outcome in standing.readiness.items() if outcome == "fail"]
    sentences = [*filter(None, told), *(_failed_item(source, item) for item in failed)]
    return tuple(dict.fromkeys(sentences))


def replacement(source: Source) -> doc.Replacement | None:
    certificate = source.certificate
    if certificate.replaces is None:
        return None
    asked_by = certificate.requested_by
    return doc.Replacement(
        number=str(certificate.replaces.number),
        reason=certificate.reason,
        asked_by=source.name(asked_by) if asked_by else "",
        asked_at=source.local(certificate.requested_at) if asked_by else None,
    )


def departures(source: Source) -> tuple[str, ...]:
    """What was not as usual and is not among the findings."""
    return (*_pauses(source), *_reversions(source), *_unusual_rounds(source))


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


def _sign_offs(source: Source) -> list[doc.Signature]:
    return [
        doc.Signature(
            name=source.name(each.recorded_by),
            role=source.role(each.recorded_by),
            meaning="work_complete",
            signed_at=source.local(each.recorded_at),
            content_sha256=each.content_sha256,
        )
        for each in source.case.sign_offs
    ]


def _not_accepted(source: Source, finding: FindingRaised) -> str:
    """What a manager's ruling let stand."""
    where = place(finding.corner, finding.values)
    return _("%(place)s, not accepted: %(statement)s") % {
        "place": where,
        "statement": statement(source, finding.code, finding.values),
    }


def _failed_item(source: Source, item: str) -> str:
    notes = [each.checks[item].get("note") for each in source.case.readiness if item in each.checks]
    name = wording(READINESS_ITEMS, item)
    if notes and notes[-1]:
        return _("%(item)s, failed: %(note)s.") % {"item": name, "note": notes[-1].rstrip(".")}
    return _("%(item)s: failed.") % {"item": name}


def _pauses(source: Source) -> list[str]:
    text = _("The job was paused by %(who)s: %(reason)s.")
    return [
        text % {"who": source.by(each.recorded_by, each.recorded_at), "reason": each.reason.rstrip(".")}
        for each in source.case.pauses
    ]


def _reversions(source: Source) -> list[str]:
    text = _("Return to the earlier set-points was decided by %(who)s: %(reason)s.")
    return [
        text % {"who": source.by(each.recorded_by, each.recorded_at), "reason": each.reason.rstrip(".")}
        for each in source.case.reversions
    ]


def _unusual_rounds(source: Source) -> list[str]:
    sentences = []
    for number, each in enumerate(source.case.rounds, start=1):
        if each.repeats_id is not None:
            continue  # what it repeats was told
        if each.ride_position != "normal":
            text = _("Round %(number)s was measured at the ride position “%(position)s” and is not judged.")
            position = wording(RIDE_POSITIONS, each.ride_position)
            sentences.append(text % {"number": number, "position": position})
        if not each.settled:
            text = _("Round %(number)s was measured before the suspension had settled and is not judged.")
            sentences.append(text % {"number": number})
        if each.settling_cut_short_s is not None:
            text = _("Before round %(number)s the wait for the vehicle to settle was cut short after %(seconds)s s.")
            sentences.append(text % {"number": number, "seconds": each.settling_cut_short_s})
    return sentences
