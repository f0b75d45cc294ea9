"""A proposal as the interface shows it: changes and why, what is expected, which limits, what follows."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any

from fleet.canonical import canonical

from ..metrology.consequences import follow_ups
from ..metrology.corners import CORNERS, Corner
from ..metrology.planner import Changes, LimitCheck, PlanningCase, Prediction
from ..metrology.planning_case import CornerReason
from . import limit_texts, proposal_texts
from .consequences import Body, consequences_document, follow_up_documents

LENGTH_DIGITS = 2


def outcome_of(limits: tuple[LimitCheck, ...]) -> str:
    """Refused by any hard limit, else in need of approval for any soft one."""
    outcomes = {each.outcome for each in limits}
    if "refuse" in outcomes:
        return "refused"
    return "needs_approval" if "review" in outcomes else "allowed"


def proposal_document(
    case: PlanningCase,
    *,
    body: Body,
    changes: Changes,
    prediction: Prediction | None,
    limits: tuple[LimitCheck, ...],
    reasons: Mapping[Corner, CornerReason],
    expected_writes: int,
) -> dict[str, Any]:
    """The interface's JSON, complete but for id, kind, outcome and approval."""
    found = None if prediction is None else body.moved(case.state.heights_mm.tolist(), prediction.heights_mm)
    return {
        "changes": _changes(case, changes, reasons),
        "predicted": _predicted(prediction),
        "probability_within": round(prediction.probability_within, 3) if prediction else None,
        "expected_writes": expected_writes,
        "prior": {"source": case.prior_source, "vehicles": case.prior_vehicles},
        "limits": [_limit(each) for each in limits],
        "consequences": consequences_document(found),
        "follow_ups": follow_up_documents(follow_ups(found, body.tolerances_mm, setpoints_changed=any(changes))),
    }


def document_sha256(
    document: Mapping[str, Any], from_setpoints: Mapping[str, int], to_setpoints: Mapping[str, int]
) -> str:
    """What an approval of the proposal covers."""
    covered = {**document, "from": dict(from_setpoints), "to": dict(to_setpoints)}
    return hashlib.sha256(canonical(covered)).hexdigest()


def _changes(case: PlanningCase, changes: Changes, reasons: Mapping[Corner, CornerReason]) -> dict[str, Any]:
    return {
        corner: {
            "from": case.setpoint(corner),
            "to": case.setpoint(corner) + changes[index],
            **_reason(reasons[corner]),
        }
        for index, corner in enumerate(CORNERS)
        if corner in case.specification.controlled_corners
    }


def _reason(reason: CornerReason) -> dict[str, Any]:
    numbers = {name: round(value, LENGTH_DIGITS) for name, value in reason.numbers.items()}
    return {
        "reason": proposal_texts.corner_reason_text(reason.code, numbers),
        "reason_code": reason.code,
        "numbers": numbers,
    }


def _predicted(prediction: Prediction | None) -> dict[str, Any]:
    if prediction is None:
        return {}
    return {
        corner: {
            "height_mm": round(prediction.heights_mm[index], LENGTH_DIGITS),
            "expanded_uncertainty_mm": round(prediction.expanded_uncertainty_mm[index], LENGTH_DIGITS),
        }
        for index, corner in enumerate(CORNERS)
    }


def _limit(check: LimitCheck) -> dict[str, Any]:
    value, limit = round(check.value, LENGTH_DIGITS), round(check.limit, LENGTH_DIGITS)
    return {
        "code": check.code,
        "corner": check.corner,
        "outcome": check.outcome,
        "value": value,
        "limit": limit,
        "detail": limit_texts.limit_text(check.code, value, limit),
    }
