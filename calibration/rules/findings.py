"""What a fact or the course of a job gives rise to: codes, severities and the keys that keep each one single."""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any, Literal

from ..metrology.corners import CORNERS, Corner
from ..metrology.findings import Finding
from .record import JobRecord, ProposalMade, Resumed, Setpoints, TyresFitted, WriteDone
from .standing import Standing

Severity = Literal["note", "review", "stop"]

NOTES = frozenset(
    {
        "pair_disagrees",
        "large_warp",
        "floor_not_level",
        "leave_alone",
        "not_adjustable_here",
        "odometer_lower",
        "measured_before_readiness",
        "tyres_not_recorded",
    }
)
STOPS = frozenset(
    {
        "corner_not_responding",
        "corner_reversed",
        "corner_weak",
        "leak_outside",
        "limits_exhausted",
        "no_specification",
    }
)
REVIEWS = frozenset(
    {
        "setpoints_changed_elsewhere",
        "clock_wrong",
        "instrument_overdue",
        "instrument_withdrawn",
        "setpoint_out_of_range",
        "linked_setpoints_differ",
        "setpoints_incomplete",
        "write_without_proposal",
        "write_of_refused_proposal",
        "write_of_unapproved_proposal",
        "write_of_superseded_proposal",
        "write_not_verified",
        "writes_conflict",
        "repeats_earlier_record",
        "recorded_after_close",
        "tyre_not_listed",
        "load_capacity_low",
    }
)
SEVERITIES: Mapping[str, Severity] = {
    **dict.fromkeys(NOTES, "note"),
    **dict.fromkeys(REVIEWS, "review"),
    **dict.fromkeys(STOPS, "stop"),
}
CLOCK_TOLERANCE = timedelta(minutes=5)


@dataclass(frozen=True, slots=True)
class NewFinding:
    """A finding to be recorded unless one with its key stands already."""

    code: str
    key: str
    corner: Corner | None = None
    source_type: str = ""
    source_id: uuid.UUID | None = None
    values: Mapping[str, Any] = field(default_factory=dict)

    @property
    def severity(self) -> Severity:
        return SEVERITIES[self.code]


@dataclass(frozen=True, slots=True)
class Arrival:
    """A fact that just arrived: what it is, and the server's time."""

    source_type: str
    source_id: uuid.UUID
    happened_at: datetime
    now: datetime

    def finding(self, code: str, corner: Corner | None = None, **values: Any) -> NewFinding:
        key = ":".join(part for part in (code, corner or "", str(self.source_id)) if part)
        return NewFinding(code, key, corner, self.source_type, self.source_id, values)


@dataclass(frozen=True, slots=True)
class InstrumentStatus:
    """What bears on trusting an instrument on the day of a measurement."""

    serial: str
    calibration_due_on: date | None
    withdrawn_since: date | None


def clock_is_wrong(record: JobRecord, arrival: Arrival) -> bool:
    """Later than the server's time, or before the job opened. Lateness alone is no fault of the clock.

    Times noted by hand are whole minutes, and no two clocks agree: hence the tolerance on both sides.
    """
    return not record.opened_at - CLOCK_TOLERANCE <= arrival.happened_at <= arrival.now + CLOCK_TOLERANCE


def time_that_counts(record: JobRecord, arrival: Arrival) -> datetime:
    """When a fact happened, for its place among the others: one that cannot be right gives way to its arrival.

    A clock that is a year ahead would otherwise keep its round the latest one for a year. Nor can a time be right
    that lies before such a fact's arrival, since a tablet sends in order: a clock that lags would otherwise put
    every later round before the write that it followed.
    """
    if clock_is_wrong(record, arrival) or _contradicts_its_order(record, arrival):
        return arrival.now
    return min(arrival.happened_at, arrival.now)


def _contradicts_its_order(record: JobRecord, arrival: Arrival) -> bool:
    """Noted before what carries the server's own time, and no more than clocks may differ, though it came after."""
    wrong = [each.recorded_at for each in record.findings if each.code == "clock_wrong"]
    timed_here = [each.recorded_at for each in record.facts if isinstance(each, Resumed | TyresFitted)]
    return any(arrival.happened_at < each for each in wrong) or any(
        each - CLOCK_TOLERANCE <= arrival.happened_at < each for each in timed_here
    )


def of_arrival(record: JobRecord, arrival: Arrival) -> list[NewFinding]:
    """What any fact may carry: a clock that cannot be right, a job that was closed already."""
    found = []
    if clock_is_wrong(record, arrival):
        found.append(
            arrival.finding(
                "clock_wrong",
                happened_at=arrival.happened_at.isoformat(),
                opened_at=record.opened_at.isoformat(),
                recorded_at=arrival.now.isoformat(),
            )
        )
    if record.is_closed:
        found.append(arrival.finding("recorded_after_close", state=record.state))
    return found


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
        source = str(each.values.get("round", "")) if each.code == "pair_disagrees" else ""
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
