"""What a fact or the course of a job gives rise to: codes, severities and the keys that keep each one single."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from ..metrology.corners import CORNERS, Corner
from ..metrology.findings import Finding
from .finding_kinds import Arrival, NewFinding
from .record import JobRecord, ProposalMade, Setpoints, WriteDone
from .standing import Standing


@dataclass(frozen=True, slots=True)
class InstrumentStatus:
    """What bears on trusting an instrument on the day of a measurement."""

    serial: str
    calibration_due_on: date | None
    withdrawn_since: date | None


def of_instruments(arrival: Arrival, instruments: Iterable[InstrumentStatus]) -> list[NewFinding]:
    """Overdue or withdrawn instruments."""
    day = arrival.happened_at.date()
    found = []
    for each in instruments:
        overdue = each.calibration_due_on is None or day > each.calibration_due_on
        withdrawn = each.withdrawn_since is not None and day >= each.withdrawn_since
        if overdue or withdrawn:
            code = "instrument_withdrawn" if withdrawn else "instrument_overdue"
            key = f"{code}:{each.serial}:{arrival.source_id}"
            due = each.calibration_due_on.isoformat() if each.calibration_due_on else None
            values = {"serial": each.serial, "calibration_due_on": due}
            found.append(NewFinding(code, key, None, arrival.source_type, arrival.source_id, values))
    return found


def of_setpoints(
    record: JobRecord, arrival: Arrival, setpoints: Setpoints, expected: Setpoints | None
) -> list[NewFinding]:
    """Set-points outside range or band, other than those last known, unequal on linked corners."""
    found: list[NewFinding] = []
    if expected is not None and setpoints != expected:
        changed = [c for c in CORNERS if setpoints.get(c) != expected.get(c)]
        found.extend(
            arrival.finding("setpoints_changed_elsewhere", c, expected=expected.get(c), read=setpoints.get(c))
            for c in changed
        )
    if record.specification is None:
        return found
    for corner, count in setpoints.items():
        low, high = _permitted(record, corner)
        if not low <= count <= high:
            found.append(arrival.finding("setpoint_out_of_range", corner, read=count, low=low, high=high))
    for first, second in record.specification.linked_corners:
        if setpoints.get(first) != setpoints.get(second):
            found.append(
                arrival.finding(
                    "linked_setpoints_differ", first, read=setpoints.get(first), other=setpoints.get(second)
                )
            )
    if set(setpoints) != set(record.specification.controlled_corners):
        missing = sorted(set(record.specification.controlled_corners) ^ set(setpoints))
        found.append(arrival.finding("setpoints_incomplete", corners=missing))
    return found


def _permitted(record: JobRecord, corner: Corner) -> tuple[int, int]:
    specification = record.specification
    assert specification is not None  # asked only where there is one
    axle = specification.axle(corner)
    low = max(v for v in (specification.setpoint_min, axle.setpoint_low) if v is not None)
    high = min(v for v in (specification.setpoint_max, axle.setpoint_high) if v is not None)
    return low, high


def of_readiness(standing: Standing, arrival: Arrival) -> list[NewFinding]:
    """A round is stored and judged before the vehicle was checked; the technician must know that it still has to be."""
    if standing.is_ready or standing.record.is_closed:
        return []
    missing = [item for item, outcome in standing.readiness.items() if outcome not in ("pass", "not_applicable")]
    return [arrival.finding("measured_before_readiness", items=missing)]


def of_write(standing: Standing, arrival: Arrival, write: WriteDone, mismatches: Iterable[Corner]) -> list[NewFinding]:
    """What a write lacked, judged against what stood before it."""
    if write.proposal_id is None:
        return [arrival.finding("write_without_proposal")]
    proposals = {each.id: each for each in standing.record.facts if isinstance(each, ProposalMade)}
    proposal = proposals[write.proposal_id]
    found = [arrival.finding(code) for code in [_authority(standing, proposal)] if code]
    if any(_contradicts(write, each) for each in standing.course.writes if each.proposal_id == proposal.id):
        found.append(arrival.finding("writes_conflict"))
    found.extend(
        arrival.finding(
            "write_not_verified",
            corner,
            wanted=proposal.to_setpoints.get(corner),
            read=write.read_back.get(corner),
        )
        for corner in mismatches
    )
    return found


def _contradicts(write: WriteDone, known: WriteDone) -> bool:
    """Another read-back of the same proposal, whichever arrived first; trying again after a mismatch is none."""
    tried_again = not known.verified and write.at > known.at
    return write.read_back != known.read_back and not tried_again


def _authority(standing: Standing, proposal: ProposalMade) -> str | None:
    if proposal.outcome == "refused":
        return "write_of_refused_proposal"
    open_proposal = standing.open_proposal
    if open_proposal is None or open_proposal.id != proposal.id:
        refused = any(a.subject_id == proposal.id and a.decision == "refuse" for a in standing.approvals)
        return "write_of_unapproved_proposal" if refused else "write_of_superseded_proposal"
    approved = any(a.subject_id == proposal.id and a.decision == "approve" for a in standing.approvals)
    if proposal.outcome == "needs_approval" and not approved:
        return "write_of_unapproved_proposal"
    return None


def of_course(standing: Standing) -> list[NewFinding]:
    """What follows from the job as it stands now: notes of the assessment, suspicions, exhausted limits."""
    if standing.record.is_closed:
        return []
    return [
        *_of_specification(standing),
        *_of_tyres(standing),
        *_of_tyre_change(standing),
        *_of_assessment(standing),
        *_of_suspicions(standing),
        *_of_decision(standing),
    ]


def _of_specification(standing: Standing) -> list[NewFinding]:
    if standing.record.specification is not None:
        return []
    return [NewFinding("no_specification", "no_specification", source_type="job", source_id=standing.record.id)]


def _of_tyres(standing: Standing) -> list[NewFinding]:
    return [
        NewFinding(
            each.code,
            _key(each.code, each.corner, each.fitment_id),
            each.corner,
            "fitment",
            each.fitment_id,
            dict(each.values),
        )
        for each in standing.record.tyre_faults
    ]


def _of_tyre_change(standing: Standing) -> list[NewFinding]:
    """The reason for which a job was opened records no tyres; once the vehicle is measured they should be on it."""
    if not standing.record.tyre_change_unrecorded or not standing.course.rounds:
        return []
    return [NewFinding("tyres_not_recorded", "tyres_not_recorded", source_type="job", source_id=standing.record.id)]


def _key(*parts: object) -> str:
    """Names a finding within its job."""
    return ":".join(str(part) for part in parts if part)


def _of_assessment(standing: Standing) -> list[NewFinding]:
    assessment = standing.assessment
    if assessment is None:
        return []
    latest = standing.course.pool[-1].id
    found: list[NewFinding] = []
    for each in assessment.findings:
        if each.code == "not_adjustable_here" and _found_by_planner(standing, each):
            continue
        place = each.corner or str(each.values.get("axle", ""))
        source = str(each.values.get("round", "")) if each.code in OF_A_ROUND else ""
        key = ":".join(part for part in (each.code, place, source) if part)
        found.append(NewFinding(each.code, key, each.corner, "round", latest, dict(each.values)))
    as_found = standing.course.as_found
    if (
        assessment.verdict == "within"
        and not standing.course.writes
        and as_found
        and as_found.id == standing.course.pool[0].id
    ):
        found.append(NewFinding("leave_alone", "leave_alone", None, "round", latest))
    return found


OF_A_ROUND = frozenset({"pair_disagrees", "rounds_disagree"})
"""What may be found again in another round of the same pool, each time anew."""


def _found_by_planner(standing: Standing, note: Finding) -> bool:
    return note.corner in standing.not_adjustable or note.values.get("axle") in standing.sides_not_adjustable


def _of_suspicions(standing: Standing) -> list[NewFinding]:
    source = standing.course.writes[-1].id if standing.course.writes else None
    return [
        NewFinding(
            each.finding,
            f"{each.finding}:{each.corner}:{each.move}",
            each.corner,
            "write",
            source,
            {
                "move": each.move,
                "expected_move_mm": round(each.expected_move_mm, 1),
                "observed_move_mm": round(each.observed_move_mm, 1),
                "predictive_sd_mm": round(each.predictive_sd_mm, 2),
            },
        )
        for each in standing.suspicions
        if each.confirmed and each.finding is not None
    ]


def _of_decision(standing: Standing) -> list[NewFinding]:
    decision = standing.decision
    if decision is None or standing.reversion is not None:
        return []
    latest = standing.course.pool[-1].id
    basis = str(standing.basis) if standing.basis else None
    found = [
        NewFinding(
            "not_adjustable_here",
            _key("not_adjustable_here", corner, latest, basis),
            corner,
            "round",
            latest,
            {"found_by": "planner", "basis": basis},
        )
        for corner in decision.not_adjustable_here
    ]
    found += [
        NewFinding(
            "not_adjustable_here",
            _key("not_adjustable_here", axle, latest, basis),
            None,
            "round",
            latest,
            {"found_by": "planner", "basis": basis, "axle": axle},
        )
        for axle in decision.sides_not_adjustable_here
    ]
    if decision.reason == "limits_exhausted":
        found += [
            NewFinding("limits_exhausted", f"limits_exhausted:{corner}:{latest}", corner, "round", latest)
            for corner in decision.corners
        ]
    return found
