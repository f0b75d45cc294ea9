"""Decisions of another person: approvals, and a manager's rulings on findings."""

from __future__ import annotations

import uuid

from django.utils.translation import gettext as _

from fleet.actor import Actor
from fleet.errors import Conflict, NotFound
from fleet.permissions import Permission

from ..models import Approval, Decision, Finding, Ruling
from ..selectors.jobs import visible_approvals
from .independence import decides_alone, makers_of, people_of_the_work
from .step import JobStep, record_changed


def approval_decide(
    *, actor: Actor, record_id: uuid.UUID, approval_id: uuid.UUID, decision: str, reason: str, content_sha256: str
) -> Decision:
    """Approve or refuse what was shown; by someone who neither measured nor proposed."""
    approval = visible_approvals(actor).filter(pk=approval_id).first()
    if approval is None:
        raise NotFound
    step = JobStep(actor, approval.job_id, Permission.DECIDE)
    _require_open(step, approval)
    if content_sha256 != approval.content_sha256:
        raise record_changed(step.standing)
    alone = decides_alone(actor, people_of_the_work(step.case))
    decided = step.add(
        Decision(
            id=record_id,
            **step.common(),
            approval=approval,
            decision=decision,
            reason=reason,
            content_sha256=content_sha256,
            self_approved=alone,
        ),
        "decisions",
    )
    step.conclude("approval_decided", decided)
    return decided


def _require_open(step: JobStep, approval: Approval) -> None:
    fact = next((each for each in step.standing.approvals if each.id == approval.pk), None)
    if fact is None or not step.standing.approval_is_open(fact):
        raise Conflict(
            _("This request is decided already, or what it was about has been superseded."),
            code="approval_closed",
            next_step=step.standing.next_step.step,
        )


def finding_rule(
    *,
    actor: Actor,
    record_id: uuid.UUID,
    job_id: uuid.UUID,
    finding_id: uuid.UUID,
    decision: str,
    reason: str,
    content_sha256: str | None = None,
) -> Ruling:
    """A manager's word on a finding: accepted it no longer blocks, rejected it stands.

    `content_sha256` is the hash of the job that was shown, where the manager ruled over what was shown.
    """
    step = JobStep(actor, job_id, Permission.RULE)
    finding = next((each for each in step.case.findings if each.pk == finding_id), None)
    if finding is None:
        raise NotFound
    _require_to_be_ruled(step, finding)
    if content_sha256 not in (None, step.standing.content_sha256):
        raise record_changed(step.standing)
    alone = decides_alone(actor, makers_of(step.case, finding))
    ruling = step.add(
        Ruling(id=record_id, **step.common(), finding=finding, decision=decision, reason=reason, self_approved=alone),
        "rulings",
    )
    step.conclude("finding_ruled", ruling)
    return ruling


def _require_to_be_ruled(step: JobStep, finding: Finding) -> None:
    if finding.severity == Finding.Severity.NOTE:
        raise Conflict(
            _("A note informs and needs no ruling."),
            code="nothing_to_rule",
            next_step=step.standing.next_step.step,
        )
    if finding.code == "load_capacity_low":
        raise Conflict(
            _("No ruling lifts this: fit tyres that may carry the load, or have the right load data recorded."),
            code="tyres_needed",
            next_step=step.standing.next_step.step,
        )
    if any(each.finding_id == finding.pk and each.decision == Ruling.Outcome.ACCEPT for each in step.case.rulings):
        raise Conflict(
            _("This finding was accepted already."),
            code="ruled_already",
            next_step=step.standing.next_step.step,
        )
