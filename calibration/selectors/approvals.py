"""Which requests for approval are open: that depends on everything that has happened in their job since."""

from __future__ import annotations

import uuid
from collections.abc import Iterable

from fleet.actor import Actor
from fleet.looks import dates

from ..models import OPEN_STATES, Approval, Concession
from ..rules import explain
from .casefile import CaseFile, case_of


def detail_of(approval: Approval) -> str:
    """Why the approval is asked, and for what, in sentences. Proposal and concession are at hand."""
    if approval.concession is not None:
        return explain.approval_detail(approval.subject, _asked(approval.concession))
    return explain.approval_detail(approval.subject, approval.proposal.content if approval.proposal else None)


def _asked(concession: Concession) -> dict[str, str]:
    return {
        "front_mm": f"{concession.front_target_mm:g}",
        "rear_mm": f"{concession.rear_target_mm:g}",
        "reason": concession.reason.rstrip("."),
        "acknowledged_by": concession.acknowledged_by,
        "acknowledged_on": dates.day(concession.acknowledged_on),
    }


class ApprovalStates:
    """Tells open requests from void ones; each job is read once."""

    def __init__(self, actor: Actor) -> None:
        self._actor = actor
        self._cases: dict[uuid.UUID, CaseFile] = {}

    def is_open(self, approval: Approval) -> bool:
        """Undecided, and what it is about still stands as it was. `approval.job` and its decisions are at hand."""
        if approval.job.state not in OPEN_STATES or approval.decisions.all():
            return False
        standing = self._case(approval.job_id).standing
        return any(each.id == approval.pk and standing.approval_is_open(each) for each in standing.approvals)

    def open_among(self, approvals: Iterable[Approval]) -> list[uuid.UUID]:
        return [each.pk for each in approvals if self.is_open(each)]

    def _case(self, job_id: uuid.UUID) -> CaseFile:
        if job_id not in self._cases:
            self._cases[job_id] = case_of(self._actor, job_id)
        return self._cases[job_id]
