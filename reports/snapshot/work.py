"""What was checked, written, found, decided and done to the vehicle within the job."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from calibration.metrology.corners import CORNERS, Corner
from calibration.models import Approval, Finding, Ruling, Write
from calibration.rules.readiness import ITEMS
from calibration.rules.record import Resumed, RoundMeasured, Setpoints, WriteDone

from ..certificate import document as doc
from .finding_words import statement
from .heights import corner_counts
from .settled import status_of
from .source import Source, as_corner, plain_zero


def readiness(source: Source) -> tuple[doc.ReadinessEntry, ...]:
    """The outcome of every item that counts, with who gave it last."""
    return tuple(_readiness(source, item, source.case.standing.readiness[item]) for item in ITEMS)


def _readiness(source: Source, item: str, outcome: Any) -> doc.ReadinessEntry:
    given = [each for each in source.case.readiness if each.checks.get(item, {}).get("outcome") == outcome]
    if not given:
        return doc.ReadinessEntry(item, outcome)
    last = given[-1]
    entry = doc.ReadinessEntry(
        item,
        outcome,
        note=last.checks[item].get("note") or "",
        checked_by=source.name(last.recorded_by),
        checked_at=source.local(last.recorded_at),
    )
    return _with_failure_before(entry, source) if outcome == "pass" else entry


def _with_failure_before(entry: doc.ReadinessEntry, source: Source) -> doc.ReadinessEntry:
    failed = [each for each in source.case.readiness if each.checks.get(entry.item, {}).get("outcome") == "fail"]
    if not failed:
        return entry
    seen = failed[-1].checks[entry.item].get("note") or ""
    return replace(entry, failed_at=source.local(failed[-1].recorded_at), failed_note=seen)


def setpoints(source: Source) -> dict[Corner, doc.SetpointSummary]:
    """Per controlled corner the counts found, left, and those that shift limits count from."""
    course, baseline = source.case.standing.course, source.case.record.baseline
    found: Setpoints = course.as_found.setpoints if course.as_found else {}
    ends = [each.setpoints for each in source.case.ends if each.setpoints is not None]
    left: Mapping[Any, int] = ends[-1] if ends else (course.stored or {})
    return {
        corner: doc.SetpointSummary(found.get(corner), left.get(corner), baseline.get(corner))
        for corner in CORNERS
        if corner in found or corner in left
    }


def writes(source: Source) -> tuple[doc.WriteEntry, ...]:
    """Every write; one that was only received once more names the one that it repeats."""
    before = _stored_before_writes(source)
    proposals = {each.pk: each for each in source.case.proposals}
    entries = []
    ordered = sorted(source.case.writes, key=lambda each: (each.happened_at, each.recorded_at))
    numbers = {write.pk: number for number, write in enumerate(ordered, start=1)}
    for write in ordered:
        proposal = proposals.get(write.proposal_id) if write.proposal_id else None
        entries.append(
            doc.WriteEntry(
                number=numbers[write.pk],
                written_at=source.local(write.happened_at),
                written_by=source.name(write.recorded_by),
                verified=write.verified,
                corners=_corner_writes(
                    write, before[write.repeats_id or write.pk], proposal.to_setpoints if proposal else {}
                ),
                proposal=proposal.kind if proposal else None,  # type: ignore[arg-type]
                justification=proposal.justification if proposal else "",
                repeats=numbers.get(write.repeats_id) if write.repeats_id else None,
            )
        )
    return tuple(entries)


def _stored_before_writes(source: Source) -> dict[uuid.UUID, Setpoints]:
    """The counts last known to be stored when each write was made."""
    stored: Setpoints = {}
    before: dict[uuid.UUID, Setpoints] = {}
    for fact in source.case.record.facts:
        match fact:
            case WriteDone():
                before[fact.id] = stored
                stored = fact.read_back
            case RoundMeasured() | Resumed():
                stored = fact.setpoints
            case _:
                pass
    return before


def _corner_writes(write: Write, before: Setpoints, intended: Mapping[str, int]) -> dict[Corner, doc.CornerWrite]:
    """The corners that were to change or did; a count never read before it was written was as read back."""
    read_back = corner_counts(write.read_back)
    return {
        corner: doc.CornerWrite(before.get(corner, count), intended.get(corner), count)
        for corner, count in read_back.items()
        if not before.get(corner, count) == count == intended.get(corner, count)
    }


def findings(source: Source) -> tuple[doc.FindingEntry, ...]:
    """Every finding with how it ended; a word that all is well is left out once it no longer holds."""
    rulings = {each.finding_id: each for each in source.case.rulings}
    record, standing = source.case.record, source.case.standing
    lapsed = {each.id for each in record.findings if each.code == "leave_alone" and not standing.is_live(each)}
    rows = [each for each in source.case.findings if each.pk not in lapsed]
    return tuple(_finding(source, each, rulings.get(each.pk)) for each in rows)


def _finding(source: Source, row: Finding, ruling: Ruling | None) -> doc.FindingEntry:
    status, settled = status_of(source, row)
    return doc.FindingEntry(
        code=row.code,
        severity=row.severity,  # type: ignore[arg-type]
        detail=statement(source, row.code, row.values),
        corner=as_corner(row.corner),
        ruling=_ruling(source, ruling) if ruling else None,
        status=status,
        settled=settled,
    )


def _ruling(source: Source, ruling: Ruling) -> doc.Ruling:
    return doc.Ruling(
        decision=ruling.decision,  # type: ignore[arg-type]
        reason=ruling.reason,
        ruled_by=source.name(ruling.recorded_by),
        ruled_at=source.local(ruling.recorded_at),
        self_approved=ruling.self_approved,
    )


def approvals(source: Source) -> tuple[doc.ApprovalEntry, ...]:
    asked: dict[uuid.UUID, Approval] = {each.pk: each for each in source.case.approvals}
    return tuple(
        doc.ApprovalEntry(
            subject=asked[each.approval_id].subject,  # type: ignore[arg-type]
            decision=each.decision,  # type: ignore[arg-type]
            reason=each.reason,
            decided_by=source.name(each.recorded_by),
            role=source.role(each.recorded_by, deciding=True),
            decided_at=source.local(each.recorded_at),
            self_approved=each.self_approved,
            content_sha256=each.content_sha256,
        )
        for each in source.case.decisions
    )


def concession(source: Source) -> doc.Concession | None:
    """The concession whose targets were in force."""
    granted = source.case.standing.concession
    row = next((each for each in source.case.concessions if granted and each.pk == granted.id), None)
    if row is None:
        return None
    return doc.Concession(
        front_target_mm=plain_zero(float(row.front_target_mm)),
        rear_target_mm=plain_zero(float(row.rear_target_mm)),
        reason=row.reason,
        acknowledged_by=row.acknowledged_by,
        acknowledged_on=row.acknowledged_on,
    )


def events(source: Source) -> tuple[doc.EventEntry, ...]:
    return tuple(
        doc.EventEntry(
            kind=each.kind,
            happened_at=source.local(each.happened_at),
            corner=as_corner(each.corner),
            note=each.note,
        )
        for each in source.case.events
    )
