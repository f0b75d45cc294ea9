"""The way back, step by step: exempt from every limit but set-point range and step."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from ..metrology.corners import CORNERS, Corner
from ..metrology.limits import check_limits, reversion_changes
from ..metrology.planning_case import Changes, LimitCheck, Outcome, PlanningCase
from .course import as_counts, complete
from .record import Setpoints
from .standing import Standing


def obstacle(standing: Standing) -> str | None:
    """Why no step back can be proposed: a code, or None where one can."""
    specification, stored, goal = standing.record.specification, standing.course.stored, standing.goal
    if specification is None or stored is None or goal is None:
        return "nothing_recorded"
    if not complete(stored, specification) or not complete(goal, specification):
        return "setpoints_incomplete"
    if not all(specification.setpoint_min <= count <= specification.setpoint_max for count in goal.values()):
        return "goal_out_of_range"
    return "nothing_to_revert" if goal == stored else None


def reversion_case(standing: Standing) -> PlanningCase:
    """A planning case at the set-points now stored, with or without heights measured there."""
    return standing.planning_case or standing.bare_planning_case


def next_changes(case: PlanningCase, goal: Setpoints) -> tuple[Changes, tuple[LimitCheck, ...]]:
    """The next step-limited changes, with their checks. Ask `obstacle` first."""
    changes = reversion_changes(case.specification, case.state.setpoints, as_counts(goal))
    limits = check_limits(case, changes, kind="reversion")
    return changes, tuple(_towards_the_range(check, case) for check in limits)


def _towards_the_range(check: LimitCheck, case: PlanningCase) -> LimitCheck:
    """From outside the set-point range one step may not reach it; the goal lies inside, so each step comes nearer."""
    if check.code != "setpoint_range" or check.corner is None:
        return check
    low, high = case.specification.setpoint_min, case.specification.setpoint_max
    return check if low <= case.setpoint(check.corner) <= high else replace(check, outcome="pass")


def checks_of_doubt(standing: Standing) -> tuple[LimitCheck, ...]:
    """That another person looks, once, before it goes to counts which the next reading contradicted.

    The first round, or what came after it, was misread or changed by others: which one, no calculation tells.
    """
    specification = standing.record.specification
    assert specification is not None  # a reversion begins only where there is one
    most = specification.shift_limit_counts
    outcome: Outcome = "pass" if _approved(standing) else "review"
    doubts = {corner: distance for corner, distance in _distances(standing).items() if distance > most}
    return tuple(LimitCheck("found_in_doubt", corner, outcome, distance, most) for corner, distance in doubts.items())


def _distances(standing: Standing) -> Mapping[Corner, int]:
    """How far the goal lies from what was read next, before anything was written, at corners still on their way."""
    record, course, stored = standing.record, standing.course, standing.course.stored or {}
    unwritten = course.unwritten if record.earlier_goal is None else record.earlier_unwritten
    return {
        corner: abs(count - unwritten[corner])
        for corner, count in (standing.goal or {}).items()
        if unwritten
        and corner in unwritten
        and count != stored.get(corner)
        and corner not in course.reverting_voided_at
    }


def _approved(standing: Standing) -> bool:
    begun = standing.reversion
    return begun is not None and any(
        each.subject == "proposal" and each.decision == "approve" and each.recorded_at >= begun.recorded_at
        for each in standing.approvals
    )


def steps_left(case: PlanningCase, goal: Setpoints) -> int:
    """How many writes the way back takes from here."""
    step = case.specification.step_max_counts
    furthest = max(abs(count - (case.state.setpoints[CORNERS.index(corner)] or 0)) for corner, count in goal.items())
    return -(-furthest // step)
