"""The hash of what a signer sees: everything that bears on the work, nothing of the background."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any

from fleet.canonical import canonical

from ..metrology.assessment_document import assessment_as_dict
from ..metrology.leak import LeakTest, ParkedHeights
from .record import (
    ConcessionAsked,
    EventHappened,
    Fact,
    LeakTested,
    Paused,
    ProposalMade,
    ReadinessChecked,
    ReadingTaken,
    Refiled,
    Repeated,
    Resumed,
    ReversionBegun,
    RoundMeasured,
    TyresFitted,
    WriteDone,
)
from .standing import Standing


def content_sha256(standing: Standing) -> str:
    """SHA-256 over the canonical JSON (RFC 8785) of the content."""
    return hashlib.sha256(canonical(content(standing))).hexdigest()


def content(standing: Standing) -> dict[str, Any]:
    """What a signature or an approval of the sign-off covers."""
    record, assessment = standing.record, standing.assessment
    return {
        "job": str(record.id),
        "specification": str(record.specification_id) if record.specification_id else None,
        "facts": [described for fact in record.facts if (described := _described(fact)) is not None],
        "findings": [
            {"key": each.key, "code": each.code, "severity": each.severity, "ruling": each.ruling}
            for each in sorted(record.findings, key=lambda each: each.key)
        ],
        "concession": str(standing.concession.id) if standing.concession else None,
        "assessment": assessment_as_dict(assessment) if assessment else None,
        "leak_verdicts": {str(test): _leak(result) for test, result in standing.leak_results.items()},
    }


def _leak(result: LeakTest) -> dict[str, Any]:
    return {
        each.corner: {"rate_mm_per_h": round(each.rate_mm_per_h, 3), "verdict": each.verdict} for each in result.corners
    }


def _described(fact: Fact) -> dict[str, Any] | None:
    """A fact as a signer is shown it; None for what is no part of that."""
    details = _details(fact)
    if details is None:
        return None
    return {"type": type(fact).__name__, "id": str(fact.id), "at": fact.at.isoformat(), **details}


def _details(fact: Fact) -> Mapping[str, Any] | None:
    match fact:
        case ReadinessChecked():
            return {"outcomes": dict(fact.outcomes)}
        case RoundMeasured():
            return {
                "setpoints": dict(fact.setpoints),
                "ride_position": fact.ride_position,
                "settled": fact.settled,
                "settling_cut_short_s": fact.settling_cut_short_s,
                "readings": [_reading(each) for each in fact.readings],
            }
        case Repeated():
            return {"repeats": str(fact.repeats), "readings": [_reading(each) for each in fact.readings]}
        case LeakTested():
            return {"started": fact.started.isoformat(), "start": _parked(fact.start), "end": _parked(fact.end)}
        case ProposalMade():
            return {"content_sha256": fact.content_sha256, "outcome": fact.outcome}
        case WriteDone():
            return {"read_back": dict(fact.read_back), "verified": fact.verified}
        case ConcessionAsked():
            return {"front_target_mm": fact.front_target_mm, "rear_target_mm": fact.rear_target_mm}
        case EventHappened():
            return {"kind": fact.kind, "corner": fact.corner}
        case Paused() | Resumed() | ReversionBegun() | Refiled() | TyresFitted():
            return {}
        case _:
            return None


def _parked(parked: ParkedHeights) -> dict[str, Any]:
    return {
        "temperature_deg_c": parked.temperature_deg_c,
        "heights_mm": [height for (height,) in parked.measured.readings_mm],
    }


def _reading(taken: ReadingTaken) -> dict[str, Any]:
    return {
        "id": str(taken.id),
        "corner": taken.corner,
        "height_mm": taken.height_mm,
        "struck": taken.struck,
    }
