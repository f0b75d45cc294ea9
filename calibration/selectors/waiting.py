"""What waits for another person's decision: approvals, and findings that nobody has ruled on."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from django.db.models import Exists, OuterRef, QuerySet

from fleet.actor import Actor
from fleet.permissions import Permission, may

from ..models import OPEN_STATES, Approval, Finding, Job
from .casefile import CaseFile
from .casefiles import case_files
from .jobs import visible_jobs

MOST_LATE: Final = 50


@dataclass(frozen=True, slots=True)
class WaitingJob:
    """An open job with its request for approval, if it has an open one, and its findings without a ruling."""

    case: CaseFile
    approval: Approval | None
    findings: tuple[Finding, ...]

    def __bool__(self) -> bool:
        return self.approval is not None or bool(self.findings)


def open_jobs(actor: Actor) -> QuerySet[Job]:
    """The longest open first."""
    return visible_jobs(actor).filter(state__in=OPEN_STATES).order_by("opened_at", "id")


def waiting_jobs(actor: Actor) -> list[WaitingJob]:
    """Of the workshop's open jobs those in which somebody is to decide, the longest open first."""
    if not may(actor, Permission.READ_WORKSHOP):
        return []
    asked = Approval.objects.filter(job=OuterRef("pk"), decisions__isnull=True)
    unruled = Finding.objects.filter(job=OuterRef("pk"), severity=Finding.Severity.REVIEW, rulings__isnull=True)
    candidates = open_jobs(actor).filter(Exists(asked) | Exists(unruled))
    return [waiting for waiting in map(waiting_in, case_files(candidates)) if waiting]


def waiting_in(case: CaseFile) -> WaitingJob:
    """What waits in one job as it stands now."""
    standing = case.standing
    open_id = standing.open_approval.id if standing.open_approval else None
    missing = {each.id for each in standing.missing_rulings}
    return WaitingJob(
        case=case,
        approval=next((_with_its_subject(each, case) for each in case.approvals if each.pk == open_id), None),
        findings=tuple(each for each in case.findings if each.pk in missing),
    )


def late_findings(actor: Actor) -> Iterable[Finding]:
    """What arrived after its job had closed and nobody has ruled on, oldest first."""
    if not may(actor, Permission.READ_WORKSHOP):
        return []
    late = Finding.objects.filter(code="recorded_after_close", rulings__isnull=True).exclude(job__state__in=OPEN_STATES)
    return late.select_related("job__vehicle").order_by("recorded_at", "id")[:MOST_LATE]


def _with_its_subject(approval: Approval, case: CaseFile) -> Approval:
    """The case file has read what the approval is about."""
    approval.job = case.job
    approval.proposal = next((each for each in case.proposals if each.pk == approval.proposal_id), None)
    approval.concession = next((each for each in case.concessions if each.pk == approval.concession_id), None)
    return approval
