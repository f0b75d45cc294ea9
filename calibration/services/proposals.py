"""Proposals: computed, entered by hand, or on the way back; and concessions, whose targets they may aim at."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from django.utils.translation import gettext as _

from fleet.actor import Actor
from fleet.errors import Conflict, Invalid
from fleet.ids import new_id
from fleet.permissions import Permission

from ..metrology.corners import CORNERS, Corner
from ..metrology.errors import MetrologyError
from ..metrology.limits import ProposalKind, check_limits, reversion_changes
from ..metrology.planner import Changes, Plan, PlanningCase, predict
from ..metrology.planning_case import CornerReason, LimitCheck, Prediction
from ..metrology.provenance import PROVENANCE
from ..models import Approval, Concession, Proposal, Reversion
from ..rules.course import as_counts
from ..rules.proposal_document import document_sha256, outcome_of, proposal_document, reasons_of
from ..rules.record import Setpoints
from ..rules.standing import Standing
from .step import JobStep, out_of_turn

ENTERING_STEPS = frozenset({"propose", "sign_off", "settle_and_measure", "read_again", "get_approval", "write"})
ENTERING_AFTER = frozenset({"approval_refused", "sign_off_refused", "too_many_writes", "write_not_verified_twice"})
"""Reasons to inspect after which a person may still enter a proposal by hand."""


@dataclass(frozen=True, slots=True)
class Draft:
    """What a proposal is made of."""

    kind: ProposalKind
    changes: Changes
    prediction: Prediction | None
    limits: tuple[LimitCheck, ...]
    reasons: Mapping[Corner, CornerReason | str]
    expected_writes: int
    justification: str = ""


def proposal_compute(*, actor: Actor, id: uuid.UUID, job_id: uuid.UUID) -> Proposal:
    """The set-point changes that are expected to bring every corner within tolerance, inside every limit."""
    step = JobStep(actor, job_id, Permission.RECORD_FACTS)
    standing = step.standing
    if standing.next_step.step != "propose":
        raise out_of_turn(standing)
    case, plan = standing.planning_case, standing.plan
    assert case is not None  # the decision to propose rests on it
    assert plan is not None
    proposal = _keep(step, id, case, _drafted(plan))
    step.conclude("proposal_made", proposal)
    return proposal


def proposal_enter(
    *, actor: Actor, id: uuid.UUID, job_id: uuid.UUID, setpoints: Mapping[str, int], justification: str
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
        reasons=dict.fromkeys(case.specification.controlled_corners, "entered"),
        expected_writes=1,
        justification=justification,
    )
    proposal = _keep(step, id, case, draft)
    step.conclude("proposal_made", proposal)
    return proposal


def reversion_begin(*, actor: Actor, id: uuid.UUID, job_id: uuid.UUID, reason: str) -> Proposal:
    """Go back to the as-found set-points: permitted in every open job, in as many steps as the limit asks for."""
    step = JobStep(actor, job_id, Permission.RECORD_FACTS)
    step.require_open()
    standing = step.standing
    if standing.is_paused or standing.reversion is not None:
        raise out_of_turn(standing)
    goal = standing.goal
    if goal is None or standing.course.stored is None or standing.record.specification is None:
        raise Conflict(
            _("No set-points were read in this job yet, so there is nothing to go back to. Measure a round first."),
            code="nothing_recorded",
            next_step=standing.next_step.step,
        )
    if goal == standing.course.stored:
        raise Conflict(
            _("The earlier set-points are stored already."),
            code="nothing_to_revert",
            next_step=standing.next_step.step,
        )
    step.add(Reversion(id=new_id(), **step.common(), reason=reason, goal=dict(goal)), "reversions")
    proposal = propose_reversion(step, id)
    step.conclude("reversion_begun", proposal)
    return proposal


def propose_reversion(step: JobStep, proposal_id: uuid.UUID) -> Proposal:
    """The next step-limited proposal on the way back."""
    standing = step.standing
    case, goal = _reversion_case(standing), standing.goal
    assert goal is not None  # the reversion that is under way has one
    try:
        changes = reversion_changes(case.specification, case.state.setpoints, as_counts(goal))
        limits = check_limits(case, changes, kind="reversion")
    except MetrologyError as error:
        raise Conflict(
            _("The set-points on record do not fit the controlled corners. Measure a round with the ones now stored."),
            code="setpoints_incomplete",
            next_step="measure",
        ) from error
    prediction = predict(case, changes) if standing.planning_case is not None else None
    draft = Draft(
        kind="reversion",
        changes=changes,
        prediction=prediction,
        limits=limits,
        reasons=dict.fromkeys(case.specification.controlled_corners, "reversion"),
        expected_writes=_steps_left(case, goal),
    )
    return _keep(step, proposal_id, case, draft)


def concession_request(
    *,
    actor: Actor,
    id: uuid.UUID,
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
    if acknowledged_on > actor.now.date():
        raise Invalid.at("/acknowledged_on", "in_the_future", _("The acknowledgement is dated in the future."))
    concession = step.add(
        Concession(
            id=id,
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


def _drafted(plan: Plan) -> Draft:
    return Draft(
        kind="computed",
        changes=plan.changes,
        prediction=plan.prediction,
        limits=plan.limits,
        reasons=reasons_of(plan),
        expected_writes=plan.expected_writes,
    )


def _keep(step: JobStep, proposal_id: uuid.UUID, case: PlanningCase, draft: Draft) -> Proposal:
    """Store a proposal and, where a soft limit asks for it, the request for approval."""
    document = proposal_document(
        case,
        changes=draft.changes,
        prediction=draft.prediction,
        limits=draft.limits,
        reasons=draft.reasons,
        expected_writes=draft.expected_writes,
    )
    before, after = _map(case.state.setpoints), _map(case.setpoints_after(draft.changes))
    proposal = Proposal(
        id=proposal_id,
        **step.common(),
        kind=draft.kind,
        outcome=outcome_of(draft.limits),
        from_setpoints=before,
        to_setpoints=after,
        justification=draft.justification,
        content=document,
        content_sha256=document_sha256(document, before, after),
        computed_with=PROVENANCE,
    )
    step.add(proposal, "proposals")
    if proposal.outcome == Proposal.Outcome.NEEDS_APPROVAL:
        step.ask_for_approval(Approval.Subject.PROPOSAL, proposal.content_sha256, proposal=proposal)
    return proposal


def _require_may_enter(standing: Standing) -> None:
    step = standing.next_step
    if step.step in ENTERING_STEPS and step.reason != "concession" and standing.reversion is None:
        return
    if step.step == "inspect" and step.reason in ENTERING_AFTER and standing.reversion is None:
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
    try:
        check_limits(case, (first, second, third, fourth), kind="entered")
    except MetrologyError as error:
        raise Invalid.at("/setpoints", "not_a_proposal", str(error)) from error
    return first, second, third, fourth


def _reversion_case(standing: Standing) -> PlanningCase:
    """A planning case at the set-points now stored, with or without heights measured there."""
    if standing.planning_case is not None:
        return standing.planning_case
    return standing.bare_planning_case


def _steps_left(case: PlanningCase, goal: Setpoints) -> int:
    step = case.specification.step_max_counts
    furthest = max(abs(count - (case.state.setpoints[CORNERS.index(corner)] or 0)) for corner, count in goal.items())
    return -(-furthest // step)


def _map(counts: tuple[int | None, ...]) -> dict[str, Any]:
    return {corner: count for corner, count in zip(CORNERS, counts, strict=True) if count is not None}
