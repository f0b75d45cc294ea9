"""What a fact or the course of a job gives rise to: codes, severities and the keys that keep each one single."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Any

from ..metrology.corners import Corner
from ..metrology.findings import Finding
from ..metrology.limits import limits_exceeded
from ..metrology.specification import Specification
from .course import as_counts
from .finding_kinds import Arrival, NewFinding
from .leaks import findings_of_leaks
from .record import FindingRaised, JobRecord, ProposalMade, Setpoints, WriteDone
from .sightings import is_possible, last_known_setpoints
from .standing import Standing


@dataclass(frozen=True, slots=True)
class InstrumentStatus:
    """What bears on trusting an instrument on the day of a measurement."""

    serial: str
    calibration_due_on: date | None
    withdrawn_since: date | None


def of_instruments(arrival: Arrival, day: date, instruments: Iterable[InstrumentStatus]) -> list[NewFinding]:
    """Instruments overdue or withdrawn on the day on which the workshop's calendar has the arrival."""
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
    """Set-points outside range or band, other than those last known, unequal on linked corners.

    One misread count has one finding, and one ruling: what cannot be right is not told as a change too, nor once more
    by the next round that reads the same, nor as a change back by the one that reads what was expected.
    """
    known = [each for each in record.findings if each.code in SETPOINT_CODES]
    wrong = _wrong_setpoints(record.specification, arrival, setpoints, expected or {}) if record.specification else []
    new = [each for each in wrong if not any(_says_the_same(each, other) for other in known)]
    told = {each.corner for each in new}
    changed = [
        arrival.finding("setpoints_changed_elsewhere", corner, expected=count, read=setpoints.get(corner))
        for corner, count in (expected or {}).items()
        if setpoints.get(corner) != count
        and corner not in told
        and (record.specification is None or is_possible(setpoints, corner, record.specification))
    ]
    return [*new, *(each for each in changed if not any(_is_its_return(each, other) for other in known))]


SETPOINT_CODES = frozenset(
    {"setpoints_changed_elsewhere", "setpoint_out_of_range", "linked_setpoints_differ", "setpoints_incomplete"}
)


def _wrong_setpoints(
    specification: Specification, arrival: Arrival, setpoints: Setpoints, expected: Setpoints
) -> list[NewFinding]:
    """What the specification does not allow of set-points, whatever they were before."""
    found = [
        arrival.finding("setpoint_out_of_range", corner, read=count, **broken, **_unlike(expected, corner, count))
        for corner, count in setpoints.items()
        if (broken := _broken_range(specification, corner, count))
    ]
    found += [
        arrival.finding("linked_setpoints_differ", first, read=setpoints.get(first), other=setpoints.get(second))
        for first, second in specification.linked_corners
        if setpoints.get(first) != setpoints.get(second)
    ]
    missing = sorted(set(specification.controlled_corners) ^ set(setpoints))
    return [*found, arrival.finding("setpoints_incomplete", corners=missing)] if missing else found


def _broken_range(specification: Specification, corner: Corner, count: int) -> dict[str, Any]:
    """The range that a count is outside of, the control unit's before the axle's band; empty where it is in both."""
    axle = specification.axle(corner)
    ranges = {
        "setpoint_range": (specification.setpoint_min, specification.setpoint_max),
        "band": (axle.setpoint_low, axle.setpoint_high),
    }
    for rule, (low, high) in ranges.items():
        if (low is not None and count < low) or (high is not None and count > high):
            return {"rule": rule, "low": low, "high": high}
    return {}


def _unlike(expected: Setpoints, corner: Corner, count: int) -> dict[str, int]:
    return {"expected": expected[corner]} if expected.get(corner, count) != count else {}


def _says_the_same(new: NewFinding, known: FindingRaised) -> bool:
    """The same read at the same corner before, whatever had been expected then."""
    said = {name: value for name, value in known.values.items() if name != "expected"}
    told = {name: value for name, value in new.values.items() if name != "expected"}
    return (new.code, new.corner, told) == (known.code, known.corner, said)


def _is_its_return(new: NewFinding, known: FindingRaised) -> bool:
    """Back at what had been expected where a finding still waits for its ruling, which then covers both."""
    there_and_back = (known.values.get("read"), known.values.get("expected"))
    return (
        known.ruling is None
        and new.corner == known.corner
        and (new.values["expected"], new.values["read"]) == there_and_back
    )


def of_readiness(standing: Standing, arrival: Arrival) -> list[NewFinding]:
    """A round is stored and judged before the vehicle was checked; the technician must know that it still has to be."""
    if standing.is_ready or standing.record.is_closed:
        return []
    missing = [item for item, outcome in standing.readiness.items() if outcome not in ("pass", "not_applicable")]
    return [arrival.finding("measured_before_readiness", items=missing)]


def of_write(standing: Standing, arrival: Arrival, write: WriteDone, mismatches: Iterable[Corner]) -> list[NewFinding]:
    """What a write lacked, judged against what stood before it."""
    if write.proposal_id is None:
        return [arrival.finding("write_without_proposal", **_beyond_limits(standing, write))]
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


def _beyond_limits(standing: Standing, write: WriteDone) -> dict[str, Any]:
    """Which corners went further than any proposal may take them, from what was last known before the write."""
    specification, before = standing.record.specification, last_known_setpoints(standing.record, write.at)
    if specification is None or before is None:
        return {}
    counts = (as_counts(each) for each in (before, write.read_back, standing.record.baseline))
    beyond = [
        {"corner": each.corner, "code": each.code, "value": each.value, "limit": each.limit}
        for each in limits_exceeded(specification, *counts)
    ]
    return {"beyond": beyond} if beyond else {}


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
        *findings_of_leaks(standing.record, standing.leak_results),
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
