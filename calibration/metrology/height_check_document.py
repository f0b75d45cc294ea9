"""A height check's assessment as plain values under its public names: the one place where its numbers are rounded."""

from __future__ import annotations

from statistics import fmean
from typing import TYPE_CHECKING, Any, Final

from .assessment_document import PROBABILITY_DIGITS, budget_as_list, length, rounded, uncertainty_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from .corners import Corner
    from .height_check import CheckAssessment, CheckedCorner, CheckedSide


OF_A_SPECIFICATION: Final = (
    "target_mm",
    "deviation_mm",
    "tolerance_mm",
    "standard_uncertainty_mm",
    "degrees_of_freedom",
    "coverage_factor",
    "expanded_uncertainty_mm",
    "verdict",
    "conformance_probability",
    "adjustable",
)
"""What nothing says of a corner where the vehicle's model has no specification."""


def heights_as_dict(readings_mm: Mapping[Corner, tuple[float, ...]]) -> dict[str, Any]:
    """The same without a specification: plain means, mm to 0.01, and nothing judged."""
    return {
        "verdict": None,
        "corners": {
            corner: {
                "mean_mm": length(fmean(found)),
                "readings": len(found),
                "estimator": "mean",
                **dict.fromkeys(OF_A_SPECIFICATION),
                "budget": [],
            }
            for corner, found in readings_mm.items()
        },
        "sides": {},
    }


def height_check_as_dict(assessment: CheckAssessment) -> dict[str, Any]:
    """JSON-ready values of a height check, rounded once: mm to 0.01, probabilities to 0.00001."""
    return {
        "verdict": assessment.verdict,
        "corners": {each.corner: _corner(each) for each in assessment.corners},
        "sides": {each.axle: _side(each) for each in assessment.sides},
    }


def _corner(found: CheckedCorner) -> dict[str, Any]:
    probability = found.conformance_probability
    return {
        "mean_mm": length(found.mean_mm),
        "target_mm": length(found.target_mm),
        "deviation_mm": length(found.deviation_mm),
        "tolerance_mm": length(found.tolerance_mm),
        "readings": found.readings,
        "estimator": found.estimator,
        **uncertainty_of(found.budget),
        "verdict": found.verdict,
        "conformance_probability": None if probability is None else rounded(probability, PROBABILITY_DIGITS),
        "adjustable": found.adjustable,
        "budget": budget_as_list(found.budget),
    }


def _side(found: CheckedSide) -> dict[str, Any]:
    return {
        "difference_mm": length(found.difference_mm),
        "limit_mm": length(found.limit_mm),
        **uncertainty_of(found.budget),
        "verdict": found.verdict,
        "adjustable": found.adjustable,
        "budget": budget_as_list(found.budget),
    }
