"""Rows of a job as the facts that its rules read."""

from __future__ import annotations

import uuid
from decimal import Decimal
from typing import Any

from fleet.models import ServiceEvent

from ..metrology.corners import CORNERS
from ..metrology.leak import ParkedHeights
from ..metrology.pooling import RoundMeasurement
from ..metrology.readings import Repeatability
from ..metrology.uncertainty import CalibrationCertificate, Instrument
from ..models import (
    Approval,
    Concession,
    Decision,
    Finding,
    Job,
    LeakTest,
    Proposal,
    Readiness,
    Round,
    Ruling,
    Write,
)
from ..rules import record as facts
from ..rules.arrivals import time_of_event


def common_to_facts(row: Any, at: Any = None) -> tuple[Any, Any, Any, Any]:
    return row.pk, at or row.recorded_at, row.recorded_at, row.recorded_by


def readiness_fact(row: Readiness) -> facts.ReadinessChecked:
    outcomes = {item: check["outcome"] for item, check in row.checks.items()}
    notes = {item: check["note"] for item, check in row.checks.items() if check.get("note")}
    return facts.ReadinessChecked(*common_to_facts(row), outcomes, notes)


def round_fact(row: Round, struck: set[uuid.UUID]) -> facts.RoundMeasured | facts.Repeated:
    readings = tuple(
        facts.ReadingTaken(
            id=each.pk,
            corner=each.corner,
            height_mm=float(each.height_mm),
            measured_by=each.measured_by_id,
            instrument_id=each.instrument_id,
            struck=each.pk in struck,
        )
        for each in row.reading_rows  # type: ignore[attr-defined]
    )
    if row.repeats_id is not None:
        return facts.Repeated(*common_to_facts(row, row.happened_at), row.repeats_id, readings)
    return facts.RoundMeasured(
        *common_to_facts(row, row.happened_at),
        taken_at=row.taken_at,
        setpoints=row.setpoints,
        ride_position=row.ride_position,
        settled=row.settled,
        readings=readings,
        repeatability=Repeatability(**row.repeatability),
        instruments=tuple(pure_instrument(each) for each in row.instruments),
        instrument_id=row.instrument_id,
    )


def pure_instrument(content: dict[str, Any]) -> Instrument:
    """The calculations' instrument from what a round froze of it."""
    certificate = content.get("certificate")
    accuracy: Any = CalibrationCertificate(**certificate) if certificate else content["accuracy_class"]
    return Instrument(content["identity"], content["resolution_mm"], accuracy, content["hook_end"])


def leak_test_fact(row: LeakTest) -> facts.LeakTested:
    hours = (row.ended_at - row.started_at).total_seconds() / 3600
    return facts.LeakTested(
        *common_to_facts(row, row.happened_at),
        start=_parked(row, 0.0, row.start_heights_um, row.start_temperature_deg_c),
        end=_parked(row, hours, row.end_heights_um, row.end_temperature_deg_c),
        instrument_id=row.instrument_id,
    )


def _parked(row: LeakTest, hours: float, heights_um: dict[str, int], deg_c: Decimal | None) -> ParkedHeights:
    measured = RoundMeasurement(
        readings_mm=tuple((heights_um[corner] / 1000,) for corner in CORNERS),
        repeatability=Repeatability(**row.repeatability),
        instruments=tuple(pure_instrument(each) for each in row.instruments),
    )
    return ParkedHeights(hours, measured, None if deg_c is None else float(deg_c))


def proposal_fact(row: Proposal) -> facts.ProposalMade:
    return facts.ProposalMade(
        *common_to_facts(row),
        kind=row.kind,  # type: ignore[arg-type]
        outcome=row.outcome,  # type: ignore[arg-type]
        from_setpoints=row.from_setpoints,
        to_setpoints=row.to_setpoints,
        content_sha256=row.content_sha256,
    )


def stored_write_fact(row: Write) -> facts.WriteDone | facts.Repeated:
    if row.repeats_id is not None:
        return facts.Repeated(*common_to_facts(row, row.happened_at), row.repeats_id)
    return write_fact(row)


def write_fact(row: Write) -> facts.WriteDone:
    return facts.WriteDone(
        *common_to_facts(row, row.happened_at),
        proposal_id=row.proposal_id,
        read_back=row.read_back,
        verified=row.verified,
        written_at=row.written_at,
    )


def concession_fact(row: Concession) -> facts.ConcessionAsked:
    return facts.ConcessionAsked(*common_to_facts(row), float(row.front_target_mm), float(row.rear_target_mm))


def approval_fact(row: Approval, decision: Decision | None, refused_by: str) -> facts.ApprovalAsked:
    """`refused_by` is the name of who refused, empty where nobody did."""
    return facts.ApprovalAsked(
        *common_to_facts(row),
        subject=row.subject,  # type: ignore[arg-type]
        subject_id=row.proposal_id or row.concession_id,
        content_sha256=row.content_sha256,
        decision=decision.decision if decision else None,  # type: ignore[arg-type]
        decided_at=decision.recorded_at if decision else None,
        decided_by=decision.recorded_by if decision else None,
        self_approved=decision.self_approved if decision else False,
        reason=decision.reason if decision else "",
        refused_by=refused_by,
    )


def event_fact(row: ServiceEvent, job: Job) -> facts.EventHappened:
    at = time_of_event(job.opened_at, row.happened_at, row.recorded_at)
    return facts.EventHappened(*common_to_facts(row, at), row.kind, row.corner or None)  # type: ignore[arg-type]


def finding_fact(row: Finding, ruling: Ruling | None) -> facts.FindingRaised:
    return facts.FindingRaised(
        id=row.pk,
        key=row.key,
        code=row.code,
        severity=row.severity,  # type: ignore[arg-type]
        corner=row.corner or None,  # type: ignore[arg-type]
        source_id=row.source_id,
        recorded_at=row.recorded_at,
        values=row.values,
        ruling=ruling.decision if ruling else None,  # type: ignore[arg-type]
        ruling_id=ruling.pk if ruling else None,
        ruled_by=ruling.recorded_by if ruling else None,
        ruled_at=ruling.recorded_at if ruling else None,
    )
