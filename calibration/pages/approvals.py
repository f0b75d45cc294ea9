"""What waits for a decision, and one request for approval with what it rests on and what it changes."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext as _

from fleet.errors import NotFound
from fleet.pages.workshop_page import RecordForm, WorkshopPage
from fleet.permissions import Permission

from ..api.documents import Shown, approval_document, proposal_document
from ..models import Approval, Decision
from ..rules import texts
from ..selectors.approvals import detail_of
from ..selectors.casefile import CaseFile, case_of
from ..selectors.jobs import visible_approvals
from ..selectors.waiting import WaitingJob, late_findings, waiting_jobs
from ..services.decisions import approval_decide
from ..services.independence import one_decides_alone, people_of_the_work
from . import words
from .deciding import DecisionPage, Right, right_of
from .forms import DecisionForm
from .shown import assessment_bars, change_rows, consequence_rows, height, limit_rows, names_of, percent


class WaitingView(WorkshopPage):
    """`/approvals/`: everything that waits for a decision or a ruling."""

    permission = Permission.READ_WORKSHOP

    def get(self, request: HttpRequest) -> HttpResponse:
        waiting = waiting_jobs(self.actor)
        late = list(late_findings(self.actor))
        alone = one_decides_alone(self.actor.workshop_id)
        values = {**waiting_values(waiting, late), "one_decides_alone": alone}
        return render(request, "calibration/approvals.html", values)


def waiting_values(waiting: list[WaitingJob], late: list[Any]) -> dict[str, Any]:
    """What `calibration/parts/waiting.html` shows: one card for each request and each finding."""
    approvals = [
        {
            "id": each.approval.pk,
            "title": words.SUBJECTS[each.approval.subject],
            "detail": detail_of(each.approval),
            "since": each.approval.recorded_at,
            "job": each.case.job,
        }
        for each in waiting
        if each.approval is not None
    ]
    of_open_jobs = [(finding, each.case.job) for each in waiting for finding in each.findings]
    findings = [
        {
            "id": finding.pk,
            "detail": texts.finding_detail(finding.code, finding.corner or None, finding.values),
            "since": finding.recorded_at,
            "job": job,
        }
        for finding, job in [*of_open_jobs, *((each, each.job) for each in late)]
    ]
    return {"approvals": approvals, "findings": findings}


class ApprovalView(DecisionPage):
    """`/approvals/<id>/`"""

    deciding = Permission.DECIDE
    form_class = DecisionForm
    template = "calibration/approval.html"
    approval: Approval

    def load(self, record_id: UUID) -> CaseFile:
        found = visible_approvals(self.actor).filter(pk=record_id).first()
        if found is None:
            raise NotFound
        self.approval = found
        return case_of(self.actor, found.job_id)

    @property
    def hash_shown(self) -> str:
        return self.approval.content_sha256

    @property
    def is_open(self) -> bool:
        standing = self.case.standing
        return any(each.id == self.approval.pk and standing.approval_is_open(each) for each in standing.approvals)

    def right(self) -> Right:
        return right_of(self.actor, self.deciding, people_of_the_work(self.case))

    def carry_out(self, form: RecordForm) -> object | None:
        decided = self.once(
            "approvals.decision",
            form,
            lambda record_id, body: approval_decide(
                actor=self.actor, record_id=record_id, approval_id=self.approval.pk, **body
            ),
            lambda record_id: Decision.objects.get(pk=record_id),
            approval=self.approval.pk,
        )
        if decided is not None:
            is_approved = decided.decision == Decision.Outcome.APPROVE
            messages.success(self.request, _("Approved.") if is_approved else _("Refused."))
        return decided

    def values(self) -> dict[str, Any]:
        decision = self.approval.decisions.first()
        asked = approval_document(self.actor, self.approval, decision, is_open=self.is_open)
        names = names_of([self.approval.recorded_by, decision.recorded_by if decision else None])
        return {
            "approval": asked,
            "subject": words.SUBJECTS[self.approval.subject],
            "state": words.APPROVAL_STATES[asked["state"]],
            "asked_by": names.get(self.approval.recorded_by),  # type: ignore[arg-type]  # the service asks as nobody
            "decision": decision,
            "decided_by": names.get(decision.recorded_by) if decision and decision.recorded_by else None,
            **self._of_the_proposal(),
            **self._of_the_concession(),
        }

    def _of_the_proposal(self) -> dict[str, Any]:
        """What it changes, what it was compared with, and what is expected of it."""
        row, unit = self.approval.proposal, self.reader.length_unit
        if row is None:
            return {}
        shown: Shown = proposal_document(row, [self.approval])
        limits = limit_rows(shown)
        bars = assessment_bars(self._assessment_at(row.recorded_at), self.case.specification, unit, "then")
        return {
            "proposal": shown,
            "changes": change_rows(shown, bars, unit),
            "to_look_at": [each for each in limits if not each.is_kept],
            "kept": [each for each in limits if each.is_kept],
            "consequences": consequence_rows(shown["consequences"], unit),
            "chance": percent(shown["probability_within"]),
            "unit": unit,
        }

    def _assessment_at(self, at: Any) -> Shown | None:
        """What was known when it was proposed."""
        known = [each.content for each in self.case.assessments if each.recorded_at <= at]
        return known[-1] if known else None

    def _of_the_concession(self) -> dict[str, Any]:
        row, unit, specification = self.approval.concession, self.reader.length_unit, self.case.specification
        if row is None or specification is None:
            return {}
        axles = (("front", _("Front"), row.front_target_mm), ("rear", _("Rear"), row.rear_target_mm))
        targets = [
            {
                "axle": name,
                "usual": height(specification.content[axle]["target_mm"], unit),
                "asked": height(asked_mm, unit),
                "difference": height(float(asked_mm) - specification.content[axle]["target_mm"], unit),
            }
            for axle, name, asked_mm in axles
        ]
        return {"concession": row, "targets": targets}
