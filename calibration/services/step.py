"""What every step within a job does: lock the job, record, judge again, record what follows, append to the ledger."""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, TypeVar

from django.conf import settings
from django.db.models import Model
from django.utils.translation import override

from fleet import ledger, outbox
from fleet.actor import Actor
from fleet.errors import Conflict
from fleet.ids import new_id
from fleet.models import TenantModel
from fleet.permissions import Permission, may, require

from ..metrology.assessment_document import assessment_as_dict
from ..metrology.provenance import PROVENANCE
from ..models import (
    Approval,
    Assessment,
    Decision,
    Finding,
    Job,
    JobEnd,
    Reading,
    ReadingStrike,
    Refiling,
    Resumption,
    Round,
    SignOff,
    Write,
)
from ..rules import explain, texts
from ..rules.finding_kinds import NewFinding
from ..rules.findings import of_course
from ..rules.standing import Standing
from ..selectors.casefile import CaseFile
from ..selectors.jobs import job_for
from .drafting import go_on_reverting
from .drift import drift_changed
from .responses import posterior_renew

RowT = TypeVar("RowT", bound=Model)

TOLD_BY = (Round, Reading, ReadingStrike, Write, Decision, Resumption, JobEnd, SignOff, Refiling)
"""What says something of how the vehicle's heights drift."""


class JobStep:
    """One step in one job. Rows go through `add`; `conclude` is its last act."""

    def __init__(self, actor: Actor, job_id: uuid.UUID, permission: Permission) -> None:
        self.actor = actor
        self.job = locked_job(actor, job_id, permission)
        self.case = CaseFile(self.job)
        self._take_specification()
        self._rows: list[TenantModel] = []

    def _take_specification(self) -> None:
        """A job that opened without a revision takes the first one that was added since, once and for ever."""
        if self.job.specification_id is None:
            self.job.specification = self.case.specification

    @property
    def standing(self) -> Standing:
        return self.case.standing

    def add(self, row: RowT, collection: str | None = None) -> RowT:
        """Store a row of this step and, where the case file keeps such rows, add it there."""
        if collection is not None:
            getattr(self.case, collection)  # read what was there before
        row.save(force_insert=True)
        if collection is not None:
            getattr(self.case, collection).append(row)
            self.case.judge_again()
        if isinstance(row, TenantModel):
            self._rows.append(row)
        return row

    def add_readings(self, rows: Sequence[Reading]) -> None:
        """Store the readings of a round in one statement."""
        Reading.objects.bulk_create(rows)
        self._rows.extend(rows)

    def note(self, row: TenantModel) -> None:
        """Have the ledger entry say how a row stands that was changed beside this step."""
        self._rows.append(row)

    def common(self) -> dict[str, Any]:
        """The columns that every record of the job shares."""
        return {"job": self.job, "recorded_at": self.actor.now, "recorded_by": self.actor.membership_id}

    def require_open(self) -> None:
        if not self.job.is_open:
            raise out_of_turn(self.standing)

    def raise_findings(self, new: Iterable[NewFinding]) -> list[Finding]:
        """Record findings, each key once."""
        known = {each.key for each in self.case.findings}
        return [
            self.add(
                Finding(
                    id=new_id(),
                    **self.common(),
                    key=each.key,
                    code=each.code,
                    severity=each.severity,
                    corner=each.corner or "",
                    source_type=each.source_type,
                    source_id=each.source_id,
                    values=dict(each.values),
                ),
                "findings",
            )
            for each in new
            if each.key not in known
        ]

    def close(self, state: str) -> None:
        """Bring the job to one of its ends, tell whoever makes certificates and have the tree's head signed at once."""
        self.job.state = state
        self.job.closed_at = self.actor.now
        kind = "calibration.job_signed_off" if state == Job.State.SIGNED_OFF else "calibration.job_ended"
        outbox.append(self.actor, kind, {"job": str(self.job.pk)})
        outbox.append(self.actor, ledger.CHECKPOINT_KIND, {})

    def conclude(self, kind: str, record: TenantModel, facts: Mapping[str, object] | None = None) -> None:
        """Record what follows from this step, bring the job's state up to date and append the ledger entry."""
        self._follow()
        self._save_job()
        self._tell_of_drift()
        rows = [row for row in self._rows if row.pk != record.pk]
        if record.pk != self.job.pk:
            rows.append(self.job)
        ledger.append(self.actor, kind, record, vehicle=self.job.vehicle, rows=rows, facts=facts)
        if not self.job.is_open:
            posterior_renew(vehicle_id=self.job.vehicle_id, now=self.actor.now)

    def conclude_closed(self, kind: str, record: TenantModel) -> None:
        """The same for a step that closed the job: nothing follows within the job any more."""
        self._save_job()
        self._tell_of_drift()
        rows = [row for row in self._rows if row.pk != record.pk]
        ledger.append(self.actor, kind, record, vehicle=self.job.vehicle, rows=[*rows, self.job])
        posterior_renew(vehicle_id=self.job.vehicle_id, now=self.actor.now)

    def _follow(self) -> None:
        if self.standing.reversion_complete and self.job.is_open:
            self._note_assessment()
            self.close(Job.State.REVERTED)
            self.case.judge_again()
            return
        go_on_reverting(self)
        self.raise_findings(of_course(self.standing))
        self._note_assessment()
        self._ask_for_sign_off()
        if any(isinstance(row, Finding) and row.code == "recorded_after_close" for row in self._rows):
            outbox.append(self.actor, "calibration.record_after_close", {"job": str(self.job.pk)})

    def _note_assessment(self) -> None:
        """Keep the assessment wherever it differs from the last one kept."""
        assessment = self.standing.assessment
        if assessment is None:
            return
        with override(settings.LANGUAGE_CODE):  # the record keeps to one language
            content = assessment_content(self.standing)
        if self.case.assessments and self.case.assessments[-1].content == content:
            return
        self.add(
            Assessment(
                id=new_id(),
                **self.common(),
                round_id=self.standing.course.pool[-1].id,
                content=content,
                computed_with=PROVENANCE,
            ),
            "assessments",
        )

    def _ask_for_sign_off(self) -> None:
        """The service itself asks for the approval of a sign-off with undecided corners."""
        standing = self.standing
        if standing.next_step.reason == "tape_cannot_decide" and standing.open_approval is None:
            self.ask_for_approval(Approval.Subject.SIGN_OFF, standing.content_sha256)

    def ask_for_approval(self, subject: str, content_sha256: str, **about: Any) -> Approval:
        """Ask another person, and have them told at once."""
        approval = self.add(
            Approval(id=new_id(), **self.common(), subject=subject, content_sha256=content_sha256, **about),
            "approvals",
        )
        outbox.append(self.actor, "calibration.approval_requested", {"approval": str(approval.pk)})
        return approval

    def _tell_of_drift(self) -> None:
        if any(isinstance(row, TOLD_BY) for row in self._rows):
            drift_changed(self.actor, self.job.vehicle_id)

    def _save_job(self) -> None:
        if self.job.is_open:
            self.job.state = _open_state(self.standing, self.case)
        self.job.version += 1
        self.job.save()


def locked_job(actor: Actor, job_id: uuid.UUID, permission: Permission) -> Job:
    """The job as it is under its lock. One that cannot be seen is not found, before a right is asked for."""
    if not may(actor, permission):
        job_for(actor, job_id)
        require(actor, permission)
    # Locked alone, then read: a join would lose the row to a refiling that it waited for.
    list(Job.objects.select_for_update(no_key=True).filter(pk=job_id).order_by().values_list("pk"))
    return job_for(actor, job_id)


def _open_state(standing: Standing, case: CaseFile) -> str:
    if standing.is_paused:
        return Job.State.PAUSED
    if standing.course.writes:
        return Job.State.ADJUSTING
    return Job.State.MEASURING if case.readiness or standing.course.rounds else Job.State.OPEN


def assessment_content(standing: Standing) -> dict[str, Any]:
    """The interface's assessment: the figures, and every finding in a sentence with its severity."""
    assert standing.assessment is not None  # callers have looked
    content = assessment_as_dict(standing.assessment)
    content["findings"] = [
        {
            "code": each.code,
            "corner": each.corner,
            "severity": each.severity,
            "detail": texts.finding_detail(each.code, each.corner, each.values),
        }
        for each in of_course(standing)
    ]
    return content


def out_of_turn(standing: Standing) -> Conflict:
    """What was asked is not the next step; says which is, and why."""
    step = standing.next_step
    return Conflict(
        explain.next_step_detail(standing),
        code="out_of_turn",
        next_step=step.step,
    )


def record_changed(standing: Standing) -> Conflict:
    """A signature or decision was made over something that is no longer what stands."""
    return Conflict(
        texts.RECORD_CHANGED,
        code="record_changed",
        pointer="/content_sha256",
        next_step=standing.next_step.step,
    )
