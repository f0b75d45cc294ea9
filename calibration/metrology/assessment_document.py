"""The assessment as plain values under its public names: the one place where its numbers are rounded."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from .corners import CORNERS

if TYPE_CHECKING:
    from .assessment import Assessment, CornerAssessment, SideAssessment
    from .findings import Finding
    from .uncertainty import Budget

LENGTH_DIGITS = 2
FACTOR_DIGITS = 2
PROBABILITY_DIGITS = 5
SLOPE_DIGITS = 5


def assessment_as_dict(assessment: Assessment) -> dict[str, Any]:
    """JSON-ready values of an assessment, rounded once.

    mm to 0.01, coverage factors to 0.01, probabilities and slopes to 0.00001; infinite degrees of freedom
    become None. A finding carries `values`, from which the caller writes its `detail`.
    """
    modes, warp, floor = assessment.modes, assessment.warp, assessment.floor
    document: dict[str, Any] = {
        "rounds": list(assessment.rounds),
        "verdict": assessment.verdict,
        "corners": {corner: _corner(each) for corner, each in zip(CORNERS, assessment.corners, strict=True)},
        "sides": {side.axle: _side(side) for side in assessment.sides},
        "modes": {
            "heave_mm": length(modes.heave_mm),
            "pitch_mm": length(modes.pitch_mm),
            "roll_mm": length(modes.roll_mm),
            "warp_mm": length(modes.warp_mm),
            "warp_expanded_uncertainty_mm": length(warp.expanded_uncertainty_mm),
        },
        "rounds_to_decide": assessment.rounds_to_decide,
        "findings": [_finding(each) for each in assessment.findings],
    }
    if floor is not None:
        document["floor"] = {
            "warp_mm": length(floor.warp_mm),
            "longitudinal_slope": rounded(floor.longitudinal_slope, SLOPE_DIGITS),
            "lateral_slope": rounded(floor.lateral_slope, SLOPE_DIGITS),
            "level": floor.level,
        }
    return document


def _corner(corner: CornerAssessment) -> dict[str, Any]:
    return {
        "mean_mm": length(corner.mean_mm),
        "target_mm": length(corner.target_mm),
        "deviation_mm": length(corner.deviation_mm),
        "tolerance_mm": length(corner.tolerance_mm),
        "readings": corner.readings,
        "rounds": corner.rounds,
        "estimator": corner.estimator,
        **uncertainty_of(corner),
        "verdict": corner.verdict,
        "conformance_probability": rounded(corner.conformance_probability, PROBABILITY_DIGITS),
        "significant": corner.significant,
        "adjustable": corner.adjustable,
        "freed": corner.freed,
        "read_again": corner.read_again,
        "budget": budget_as_list(corner.budget),
    }


def _side(side: SideAssessment) -> dict[str, Any]:
    return {
        "difference_mm": length(side.difference_mm),
        "limit_mm": length(side.limit_mm),
        **uncertainty_of(side),
        "verdict": side.verdict,
        "significant": side.significant,
        "adjustable": side.adjustable,
        "budget": budget_as_list(side.budget),
    }


def uncertainty_of(judged: CornerAssessment | SideAssessment | Budget) -> dict[str, Any]:
    """A result's standard and expanded uncertainty, mm to 0.01, with what leads from one to the other."""
    return {
        "standard_uncertainty_mm": length(judged.standard_uncertainty_mm),
        "degrees_of_freedom": _degrees_of_freedom(judged.degrees_of_freedom),
        "coverage_factor": rounded(judged.coverage_factor, FACTOR_DIGITS),
        "expanded_uncertainty_mm": length(judged.expanded_uncertainty_mm),
    }


def budget_as_list(budget: Budget) -> list[dict[str, Any]]:
    """A budget's components, mm to 0.01."""
    return [
        {
            "component": part.name,
            "standard_uncertainty_mm": length(part.standard_uncertainty_mm),
            "degrees_of_freedom": _degrees_of_freedom(part.degrees_of_freedom),
        }
        for part in budget.components
    ]


def _finding(finding: Finding) -> dict[str, Any]:
    named = {} if finding.corner is None else {"corner": finding.corner}
    return {
        "code": finding.code,
        **named,
        "severity": finding.severity,
        "values": {name: _finding_value(name, value) for name, value in finding.values.items()},
    }


def _finding_value(name: str, value: float | str) -> float | str:
    if isinstance(value, (str, int)):
        return value
    return rounded(value, SLOPE_DIGITS if name.endswith("_slope") else LENGTH_DIGITS)


def _degrees_of_freedom(value: float) -> int | None:
    """Truncated like those of a combined uncertainty (GUM G.4.1); None for infinitely many."""
    return None if math.isinf(value) else math.floor(value)


def length(value_mm: float) -> float:
    """A length, mm to 0.01."""
    return rounded(value_mm, LENGTH_DIGITS)


def rounded(value: float, digits: int) -> float:
    """Rounded for a document.

    >>> rounded(-0.001, 2)
    0.0
    """
    return round(value, digits) + 0.0  # no negative zero
