"""From rows to what the serializers show: readings with their strikes, rounds with their verdict, the whole job.

Functions take what was read already, so that one job and a page of a list cost the same number of queries.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.db.models import Model
from django.urls import reverse

from calibration.metrology.readings import (
    GROSS_LIMIT_MM,
    PRIOR_REPEATABILITY,
    READINGS_AFTER_DISAGREEMENT,
    repeat_limit_mm,
)
from calibration.models import (
    Approval,
    Assessment,
    Concession,
    Decision,
    Finding,
    Job,
    LeakTest,
    Photo,
    Proposal,
    Reading,
    ReadingStrike,
    Round,
    Ruling,
    Write,
)
from calibration.rules import explain, texts
from calibration.rules.cautions import WITHOUT_NETWORK, cautions_for
from calibration.rules.finding_kinds import NewFinding
from calibration.rules.findings import of_course
from calibration.rules.record import RoundMeasured
from calibration.rules.wording import in_words
from calibration.selectors.approvals import detail_of
from calibration.selectors.casefile import CaseFile
from calibration.selectors.leak_tests import result_of
from calibration.services.independence import may_decide, one_decides_alone
from fleet.actor import Actor
from fleet.models import Vehicle
from fleet.permissions import Permission, may
from fleet.selectors.vehicles import is_now_visible

Shown = dict[str, Any]
USUAL_RESOLUTION_MM = 1.0
"""Of a tape, while no instrument was used yet."""


def columns(row: Model) -> Shown:
    """A row's columns by their attribute names."""
    return {field.attname: getattr(row, field.attname) for field in row._meta.concrete_fields}


# --- measurements ------------------------------------------------------------------------------------
def reading_documents(readings: Iterable[Reading], strikes: Iterable[ReadingStrike]) -> list[Shown]:
    """Readings in their order, each with its strike."""
    of_reading = {strike.reading_id: strike for strike in strikes}
    return [_reading(each, of_reading.get(each.pk)) for each in readings]


def _reading(row: Reading, strike: ReadingStrike | None) -> Shown:
    return {
        **columns(row),
        "struck": strike is not None,
        "replaced_by": strike.replacement_id if strike else None,
        "strike": strike,
    }


def round_documents(
    rounds: Iterable[Round],
    readings: Iterable[Reading],
    strikes: Iterable[ReadingStrike],
    assessments: Iterable[Assessment],
) -> list[Shown]:
    """Rounds with readings and with the latest assessment that was made with each; rows oldest first."""
    shown = reading_documents(readings, strikes)
    latest = {each.round_id: each.content for each in assessments}
    return [
        {
            **columns(row),
            "readings": [each for each in shown if each["round_id"] == row.pk],
            "assessment": latest.get(row.pk),
        }
        for row in rounds
    ]


def photo_document(row: Photo) -> Shown:
    return {**columns(row), "file": reverse("photo-file", args=[row.pk])}


# --- decisions ---------------------------------------------------------------------------------------
def proposal_document(row: Proposal, approvals: Iterable[Approval]) -> Shown:
    """A proposal with the approval that was asked for it."""
    return {
        **in_words(row.content),
        **columns(row),
        "detail": explain.proposal_detail(row.outcome, row.content),
        "approval": _approval_of(row, approvals, "proposal_id"),
    }


def concession_document(row: Concession, approvals: Iterable[Approval]) -> Shown:
    return {**columns(row), "approval": _approval_of(row, approvals, "concession_id")}


def _approval_of(row: Model, approvals: Iterable[Approval], key: str) -> UUID | None:
    found = [each.pk for each in approvals if getattr(each, key) == row.pk]
    return found[-1] if found else None


def approval_document(actor: Actor, row: Approval, decision: Decision | None, *, is_open: bool) -> Shown:
    """An approval with its decision. `row.job.vehicle` is at hand."""
    state = "open" if is_open else "void"
    if decision is not None:
        state = "approved" if decision.decision == Decision.Outcome.APPROVE else "refused"
    return {
        "id": row.pk,
        "job": row.job_id,
        "job_number": row.job.number,
        "vehicle": vehicle_document(actor, row.job.vehicle),
        "subject": row.subject,
        "detail": detail_of(row),
        "proposal": row.proposal_id,
        "concession": row.concession_id,
        "content_sha256": row.content_sha256,
        "state": state,
        "requested_at": row.recorded_at,
        "requested_by": row.recorded_by,
        "decision": decision,
    }


def finding_document(row: Finding, ruling: Ruling | None) -> Shown:
    """A finding in words; `corner` and `ruling` are left out where there is none."""
    shown = {**columns(row), "detail": texts.finding_detail(row.code, row.corner or None, row.values)}
    if not row.corner:
        del shown["corner"]
    return {**shown, "ruling": ruling} if ruling else shown


def finding_documents(findings: Iterable[Finding], rulings: Iterable[Ruling]) -> list[Shown]:
    """Findings with the last ruling on each; rows oldest first."""
    latest = {each.finding_id: each for each in rulings}
    return [finding_document(each, latest.get(each.pk)) for each in findings]


def write_documents(writes: Iterable[Write], findings: Sequence[Shown]) -> list[Shown]:
    """Writes, each with the findings that it gave rise to."""
    return [
        {
            **columns(row),
            "verified": row.verified if row.proposal_id else None,
            "findings": [each for each in findings if each["source_id"] == row.pk],
        }
        for row in writes
    ]


def leak_test_documents(rows: Iterable[LeakTest], case: CaseFile, findings: Sequence[Shown]) -> list[Shown]:
    """Leak tests of one job, each as its specification judges it now, with the findings that it gave rise to."""
    return [
        {
            **columns(row),
            **result_of(row, case.record.specification),
            "start": _parked(row.started_at, row.start_temperature_deg_c, row.start_heights_um),
            "end": _parked(row.ended_at, row.end_temperature_deg_c, row.end_heights_um),
            "findings": [each for each in findings if each["source_id"] == row.pk],
        }
        for row in rows
    ]


def _parked(at: datetime, deg_c: Decimal | None, heights_um: Mapping[str, int]) -> Shown:
    heights = {corner: Decimal(height) / 1000 for corner, height in heights_um.items()}
    return {"at": at, "temperature_deg_c": deg_c, "heights": heights}


# --- jobs --------------------------------------------------------------------------------------------
def vehicle_document(actor: Actor, vehicle: Vehicle) -> Shown:
    """A vehicle as the actor may see it: a contact whose it no longer is learns nothing of its present."""
    registration = vehicle.registration if is_now_visible(actor, vehicle) else None
    return {"id": vehicle.pk, "vin": vehicle.vin, "registration": registration}


def job_summary(actor: Actor, job: Job) -> Shown:
    """A job as lists show it. `job.vehicle.operator` is at hand."""
    operator = job.vehicle.operator if is_now_visible(actor, job.vehicle) else None
    return {**columns(job), "vehicle": vehicle_document(actor, job.vehicle), "operator": operator}


def job_document(actor: Actor, case: CaseFile) -> Shown:
    """Everything about one job."""
    standing = case.standing
    return {
        **job_summary(actor, case.job),
        **_next_step(actor, case),
        "content_sha256": standing.content_sha256,
        "specification": case.specification,
        "readiness": {"ready": standing.is_ready, "merged": standing.readiness, "records": case.readiness},
        **_measured(case),
        **_decided(actor, case),
        "setpoints": standing.course.stored,
        "baseline": case.baseline or None,
        **_repeat_limits(case.rounds),
        "gross_limit_mm": GROSS_LIMIT_MM,
        "pauses": case.pauses,
        "resumptions": case.resumptions,
        "refilings": case.refilings,
        "reversions": case.reversions,
        "events": [{**columns(each), "corner": each.corner or None} for each in case.events],
        "photos": [photo_document(each) for each in case.photos],
        "end": case.ends[-1] if case.ends else None,
        "sign_off": case.sign_offs[-1] if case.sign_offs else None,
    }


def _next_step(actor: Actor, case: CaseFile) -> Shown:
    step = case.standing.next_step
    of_the_workshop = may(actor, Permission.READ_WORKSHOP)
    is_asked = step.step == "get_approval" and of_the_workshop
    alone = of_the_workshop and _is_to_be_decided(case) and one_decides_alone(case.job.workshop_id)
    differ = bool(case.concessions)
    return {
        "next_step": step.step,
        "next_step_detail": {
            "reason": step.reason,
            "detail": explain.next_step_detail(
                case.standing,
                proposal=case.open_proposal_content,
                approvers=[each.name for each in may_decide(case)] if is_asked else None,
                names_people=of_the_workshop,
                one_decides_alone=is_asked and alone,
            ),
            "corners": list(step.corners),
            "one_decides_alone": alone,
        },
        "cautions": cautions_for(
            step.step,
            targets_differ=differ,
            unconfirmed=explain.left_unconfirmed(case.standing),
        ),
        "cautions_ahead": {each: cautions_for(each, targets_differ=differ) for each in WITHOUT_NETWORK},
    }


def _is_to_be_decided(case: CaseFile) -> bool:
    standing = case.standing
    return standing.next_step.step == "get_approval" or any(
        each.severity != "note" and each.ruling != "accept" for each in standing.record.findings
    )


def _measured(case: CaseFile) -> Shown:
    readings = [reading for each in case.rounds for reading in each.reading_rows]  # type: ignore[attr-defined]
    course = case.standing.course
    judged = case.standing.assessment is not None and case.assessments
    return {
        "rounds": round_documents(case.rounds, readings, case.strikes, case.assessments),
        "assessment": _assessment(case) if judged else None,
        "as_found": _as_found(case),
        "as_left": _setpoints_of(course.as_left),
    }


def _assessment(case: CaseFile) -> Shown:
    """The last one as it is stored, its findings in the reader's words."""
    content = case.assessments[-1].content
    known: list[Finding | NewFinding] = [*case.findings, *of_course(case.standing)]
    details = {
        (each.code, each.corner or None): texts.finding_detail(each.code, each.corner or None, each.values)
        for each in known
    }
    findings = [
        {**each, "detail": details.get((each["code"], each["corner"]), each["detail"])} for each in content["findings"]
    ]
    return {**content, "findings": findings}


def _as_found(case: CaseFile) -> Shown | None:
    found = _setpoints_of(case.standing.course.as_found)
    return found and {**found, "assessment": explain.as_found_document(case.standing)}


def _setpoints_of(measured: RoundMeasured | None) -> Shown | None:
    return {"round": measured.id, "setpoints": measured.setpoints} if measured else None


def _decided(actor: Actor, case: CaseFile) -> Shown:
    standing = case.standing
    findings = finding_documents(case.findings, case.rulings)
    in_force = {each.id: standing.is_live(each) for each in case.record.findings}
    proposals = [proposal_document(each, case.approvals) for each in case.proposals]
    concessions = [concession_document(each, case.approvals) for each in case.concessions]
    approvals = _approvals(actor, case)
    return {
        "findings": [{**each, "in_force": in_force[each["id"]]} for each in findings],
        "writes": write_documents(case.writes, findings),
        "leak_tests": leak_test_documents(case.leak_tests, case, findings),
        "proposals": proposals,
        "proposal": _with_id(proposals, standing.open_proposal),
        "approvals": approvals,
        "approval": _with_id(approvals, standing.open_approval),
        "concessions": concessions,
        "concession": _with_id(concessions, standing.concession),
    }


def _approvals(actor: Actor, case: CaseFile) -> list[Shown]:
    """The approvals of a job, oldest first, each with its state as things stand."""
    decisions = {each.approval_id: each for each in case.decisions}
    is_open = {each.id: case.standing.approval_is_open(each) for each in case.standing.approvals}
    proposals = {each.pk: each for each in case.proposals}
    for row in case.approvals:
        row.job = case.job
        row.proposal = proposals.get(row.proposal_id)  # type: ignore[arg-type]
    return [approval_document(actor, each, decisions.get(each.pk), is_open=is_open[each.pk]) for each in case.approvals]


def _with_id(shown: Sequence[Shown], fact: Any) -> Shown | None:
    return next((each for each in shown if fact is not None and each["id"] == fact.id), None)


def _repeat_limits(rounds: Sequence[Round]) -> Shown:
    """What readings of a corner may differ by, for the person and instrument of the last round (ISO 5725-6)."""
    deviation, resolution = PRIOR_REPEATABILITY.standard_deviation_mm, USUAL_RESOLUTION_MM
    if rounds:
        last = rounds[-1]
        deviation = last.repeatability["standard_deviation_mm"]
        resolution = max((_resolution_mm(each) for each in last.instruments), default=USUAL_RESOLUTION_MM)
    limits = {
        str(count): round(repeat_limit_mm(deviation, resolution, count), 2)
        for count in range(2, READINGS_AFTER_DISAGREEMENT)
    }
    return {"repeat_limit_mm": limits["2"], "repeat_limits_mm": limits}


def _resolution_mm(instrument: Mapping[str, Any]) -> float:
    return float(instrument["resolution_mm"])
