"""Proposals: computed, entered by hand, or on the way back; and concessions, whose targets they may aim at."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from datetime import date
from decimal import Decimal

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from fleet.actor import Actor
from fleet.days import require_not_to_come
from fleet.errors import Conflict, Invalid
from fleet.ids import new_id
from fleet.permissions import Permission
from fleet.specifications import HIGHEST_TARGET_MM, LOWEST_TARGET_MM

from ..metrology.corners import CORNERS
from ..metrology.limits import check_limits
from ..metrology.planner import Changes, Plan, PlanningCase, predict
from ..metrology.readings import GROSS_LIMIT_MM, likely_unit
from ..metrology.specification import Specification
from ..models import Approval, Concession, Proposal, Reversion
from ..rules import reverting, texts
from ..rules.proposal_document import document_sha256
from ..rules.proposal_reasons import reasons_of, reasons_of_entered
from ..rules.standing import Standing
from .drafting import Draft, keep_proposal, propose_reversion
from .step import JobStep, out_of_turn

ENTERING_STEPS = frozenset({"propose", "sign_off", "settle_and_measure", "read_again", "get_approval", "write"})
ENTERING_AFTER = frozenset(
    {"approval_refused", "sign_off_refused", "too_many_writes", "limits_exhausted", "load_capacity_low"}
)
"""Reasons to inspect after which a person may still enter a proposal by hand."""
OBSTACLES = {
    "nothing_recorded": gettext_lazy(
        "No set-points are on record to go back to and to judge by. Measure a round first; without a specification a "
        "reversion cannot be checked."
    ),
    "setpoints_incomplete": gettext_lazy(
        "The set-points on record do not fit the controlled corners. Measure a round with the ones now stored."
    ),
    "goal_out_of_range": gettext_lazy(
        "The set-points to go back to lie outside the control unit's range, so they were misread. Read them again; "
        "enter the right ones by hand or end the job."
    ),
    "nothing_to_revert": gettext_lazy("The earlier set-points are stored already."),
}


def proposal_compute(*, actor: Actor, record_id: uuid.UUID, job_id: uuid.UUID) -> Proposal:
    """The set-point changes that are expected to bring every corner within tolerance, inside every limit."""
    step = JobStep(actor, job_id, Permission.RECORD_FACTS)
    standing = step.standing
    if standing.next_step.step != "propose":
        raise out_of_turn(standing)
    if standing.next_step.reason == "reversion_asked":
        return reversion_begin(
            actor=actor, record_id=record_id, job_id=job_id, reason=step.job.note or _("The job was opened for it.")
        )
    case, plan = standing.planning_case, standing.plan
    assert case is not None  # the decision to propose rests on it
    assert plan is not None
    proposal = keep_proposal(step, record_id, case, _drafted(plan))
    step.conclude("proposal_made", proposal)
    return proposal


def proposal_enter(
    *, actor: Actor, record_id: uuid.UUID, job_id: uuid.UUID, setpoints: Mapping[str, int], justification: str
) -> Proposal:
    """Set-points entered by hand: the same checks and the same prediction, and they are kept even when refused."""
    step = JobStep(actor, job_id, Permission.RECORD_FACTS)
    standing = step.standing
    _require_may_enter(standing)
    case = standing.planning_case
    if case is None:
        raise out_of_turn(standing)
    changes = _entered_changes(case, setpoints)
    draft = Draft(
        kind="entered",
        changes=changes,
        prediction=predict(case, changes),
        limits=check_limits(case, changes, kind="entered"),
        reasons=reasons_of_entered(case, changes),
        expected_writes=1,
        justification=justification,
    )
    proposal = keep_proposal(step, record_id, case, draft)
    step.conclude("proposal_made", proposal)
    return proposal


def reversion_begin(*, actor: Actor, record_id: uuid.UUID, job_id: uuid.UUID, reason: str) -> Proposal:
    """Go back to the as-found set-points: permitted in every open job, in as many steps as the limit asks for."""
    step = JobStep(actor, job_id, Permission.RECORD_FACTS)
    step.require_open()
    standing = step.standing
    if standing.is_paused or standing.reversion is not None:
        raise out_of_turn(standing)
    obstacle = reverting.obstacle(standing)
    if obstacle is not None:
        raise Conflict(str(OBSTACLES[obstacle]), code=obstacle, next_step=standing.next_step.step)
    goal = standing.goal
    assert goal is not None  # else there were an obstacle
    step.add(Reversion(id=new_id(), **step.common(), reason=reason, goal=dict(goal)), "reversions")
    proposal = propose_reversion(step, record_id)
    step.conclude("reversion_begun", proposal)
    return proposal


def concession_request(
    *,
    actor: Actor,
    record_id: uuid.UUID,
    job_id: uuid.UUID,
    front_target_mm: Decimal,
    rear_target_mm: Decimal,
    reason: str,
    acknowledged_by: str,
    acknowledged_on: date,
) -> Concession:
    """Ask for targets other than the specification's, acknowledged by the operator; another person approves."""
    step = JobStep(actor, job_id, Permission.RECORD_FACTS)
    standing = step.standing
    if not step.job.is_open or standing.is_paused or standing.reversion or standing.record.specification is None:
        raise out_of_turn(standing)
    _require_plausible_targets(standing.record.specification, front=front_target_mm, rear=rear_target_mm)
    refusal = _("The acknowledgement is dated in the future.")
    require_not_to_come(acknowledged_on, actor.now, "/acknowledged_on", "in_the_future", refusal)
    concession = step.add(
        Concession(
            id=record_id,
            **step.common(),
            front_target_mm=front_target_mm,
            rear_target_mm=rear_target_mm,
            reason=reason,
            acknowledged_by=acknowledged_by,
            acknowledged_on=acknowledged_on,
        ),
        "concessions",
    )
    covered = {"front": float(front_target_mm), "rear": float(rear_target_mm), "reason": reason}
    step.ask_for_approval(Approval.Subject.CONCESSION, document_sha256(covered, {}, {}), concession=concession)
    step.conclude("concession_requested", concession)
    return concession


def _require_plausible_targets(specification: Specification, *, front: Decimal, rear: Decimal) -> None:
    """Refuses what was meant in another unit, or is no ride height of any vehicle; the rest another person judges."""
    errors = []
    for name, target, usual in (("front", front, specification.front), ("rear", rear, specification.rear)):
        slip = _target_slip(float(target), usual.target_mm)
        if slip is not None:
            text = _("%(target)s mm is more than %(limit)s mm from the specification's target of %(usual)s mm.") % {
                "target": f"{float(target):g}",
                "limit": f"{GROSS_LIMIT_MM:g}",
                "usual": f"{usual.target_mm:g}",
            }
            code, hint = slip
            what_to_do = _("Enter the target in millimetres.")
            errors.append((f"/{name}_target_mm", code, f"{text} {hint} {what_to_do}"))
    if errors:
        raise Invalid(errors)


def _target_slip(target_mm: float, usual_mm: float) -> tuple[str, str] | None:
    """Code and hint for a target that cannot be meant."""
    if abs(target_mm - usual_mm) <= GROSS_LIMIT_MM:
        return None
    unit = likely_unit(target_mm, usual_mm)
    if unit is not None:
        return "wrong_unit", str(texts.UNIT_SLIPS[unit])
    if LOWEST_TARGET_MM <= target_mm <= HIGHEST_TARGET_MM:
        return None
    return "implausible_height", _("A digit too many or too few?")


def _drafted(plan: Plan) -> Draft:
    return Draft(
        kind="computed",
        changes=plan.changes,
        prediction=plan.prediction,
        limits=plan.limits,
        reasons=reasons_of(plan),
        expected_writes=plan.expected_writes,
    )


def _require_may_enter(standing: Standing) -> None:
    step = standing.next_step
    if step.step in ENTERING_STEPS and step.reason != "concession" and standing.reversion is None:
        return
    may_go_on = not standing.stops and step.reason in ENTERING_AFTER
    if step.step == "inspect" and may_go_on and standing.reversion is None:
        return
    raise out_of_turn(standing)


def _entered_changes(case: PlanningCase, setpoints: Mapping[str, int]) -> Changes:
    """Changes for the given set-points; each fault of the map is named."""
    controlled = case.specification.controlled_corners
    errors = [
        (
            f"/setpoints/{corner}",
            "uncontrolled_corner",
            _("This vehicle's control unit does not control this corner."),
        )
        for corner in setpoints
        if corner not in controlled
    ]
    errors += [
        (f"/setpoints/{corner}", "required", _("Give a set-point for every controlled corner."))
        for corner in controlled
        if corner not in setpoints
    ]
    errors += [
        (
            f"/setpoints/{second}",
            "linked_corners",
            _("Linked corners share one set-point; give both the same."),
        )
        for first, second in case.specification.linked_corners
        if setpoints.get(first) != setpoints.get(second)
    ]
    if errors:
        raise Invalid(errors)
    first, second, third, fourth = (
        setpoints[corner] - case.setpoint(corner) if corner in controlled else 0 for corner in CORNERS
    )
    if not any((first, second, third, fourth)):
        raise Invalid.at("/setpoints", "no_change", _("These are the set-points now stored; nothing would change."))
    return first, second, third, fourth
