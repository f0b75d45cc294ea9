"""Why each corner of a proposal moves or stays, where no plan says it: entered by hand, or on the way back."""

from __future__ import annotations

from ..metrology.corners import CORNERS, Corner
from ..metrology.planning_case import Changes, CornerReason, Plan, PlanningCase, ReasonCode

Reasons = dict[Corner, CornerReason]


def reasons_of(plan: Plan) -> Reasons:
    return {each.corner: each for each in plan.reasons}


def reasons_of_entered(case: PlanningCase, changes: Changes) -> Reasons:
    """Whether each corner comes nearer to its target or ends further off, and by how much."""
    return {corner: _entered(case, corner, changes) for corner in case.specification.controlled_corners}


def _entered(case: PlanningCase, corner: Corner, changes: Changes) -> CornerReason:
    i = CORNERS.index(corner)
    before = float(case.deviations_mm[i])
    move = float(case.state.responses[i]) * changes[i]
    numbers = {
        "deviation_mm": before,
        "expected_change_mm": move,
        "expected_deviation_mm": before + move,
        "further_mm": abs(before + move) - abs(before),
    }
    moving: ReasonCode = "entered_away_from_target" if numbers["further_mm"] > 0 else "entered_towards_target"
    return CornerReason(corner, moving if changes[i] else "entered_unmoved", numbers)


def reasons_of_reversion(case: PlanningCase, changes: Changes) -> Reasons:
    return {
        corner: CornerReason(corner, "goes_back" if changes[CORNERS.index(corner)] else "stays_gone_back", {})
        for corner in case.specification.controlled_corners
    }
