"""Jobs and the actions that bring one on."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.utils.translation import gettext_lazy as _
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.serializers import BaseSerializer

from calibration.models import Job
from calibration.selectors.casefile import CaseFile, case_of
from calibration.selectors.jobs import visible_jobs
from calibration.services import jobs
from fleet.permissions import Permission
from fleet.services import WrongPin, pin_failure_note

from .. import examples
from ..corner_maps import require_controlled_corners
from ..documents import job_document, job_summary
from ..filters import JobFilter
from ..openapi import ACTING, RECORDING
from ..serializers.jobs import (
    JobRecord,
    JobSummary,
    NewEnd,
    NewJob,
    NewPause,
    NewRefiling,
    NewResumption,
    NewSignOff,
)
from .base import Body, RecordsViewSet


class JobViewSet(RecordsViewSet):
    """`/jobs/`"""

    model = Job
    filterset_class = JobFilter
    ordering = "-opened_at"
    ordering_fields = ("opened_at", "number")
    bodies = {
        "create": NewJob,
        "pause": NewPause,
        "resumption": NewResumption,
        "end": NewEnd,
        "refiling": NewRefiling,
        "sign_off": NewSignOff,
    }
    answers = {
        "create": (RECORDING, JobRecord),
        "pause": (ACTING, JobRecord),
        "resumption": (ACTING, JobRecord),
        "end": (ACTING, JobRecord),
        "refiling": (ACTING, JobRecord),
        "sign_off": (ACTING, JobRecord),
    }
    summaries = {
        "list": _("Jobs, newest first."),
        "retrieve": _("Everything about one job, with the step that comes next."),
        "create": _("Receive a vehicle: open its job. A vehicle has one open job at a time."),
        "pause": _("Pause the job: parts are awaited."),
        "resumption": _("Go on with a paused job, with the set-points as read now."),
        "end": _("End the job without sign-off; a findings report follows."),
        "refiling": _("The job belonged to another vehicle: move it there (managers)."),
        "sign_off": _("Sign that the work is complete, over the hash of what was shown; the certificate follows."),
    }
    examples = examples.JOBS

    def get_serializer_class(self) -> type[BaseSerializer[Any]]:
        return JobSummary if self.action == "list" else JobRecord

    def get_queryset(self) -> QuerySet[Job]:
        return Job.objects.none() if getattr(self, "swagger_fake_view", False) else visible_jobs(self.actor)

    def documents(self, rows: Sequence[Job]) -> Sequence[Any]:
        if self.action == "list":
            return [job_summary(self.actor, row) for row in rows]
        if self.action == "retrieve":
            return [job_document(self.actor, CaseFile(row)) for row in rows]
        return [job_document(self.actor, case_of(self.actor, row.pk)) for row in rows]

    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        body = self.body(Permission.RECORD_FACTS)
        return self.record(
            body, lambda record_id, fields: jobs.job_open(actor=self.actor, record_id=record_id, **fields)
        )

    def pause(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.step(Permission.RECORD_FACTS, jobs.job_pause)

    def resumption(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.step(Permission.RECORD_FACTS, jobs.job_resume)

    def end(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.step(Permission.RECORD_FACTS, jobs.job_end)

    def refiling(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.step(Permission.RULE, jobs.job_refile)

    def sign_off(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        try:
            return self.step(Permission.SIGN_OFF, jobs.job_sign_off)
        except WrongPin:
            self._count_wrong_pin()
            raise

    def step(self, permission: Permission, service: Callable[..., Job]) -> Response:
        """Carry out an action once; the job as it then stands, now and when the request is sent again."""
        job = self.job

        def do(record_id: UUID, body: Body) -> Job:
            self._require_corners(body)
            return service(actor=self.actor, record_id=record_id, job_id=job.pk, **body)

        return self.act(self.body(permission), do, lambda _id: job, job=job.pk)

    def _require_corners(self, body: Body) -> None:
        if body.get("setpoints"):
            require_controlled_corners(self.job, body["setpoints"], "setpoints")

    def _count_wrong_pin(self) -> None:
        """What was refused is rolled back; the count of wrong attempts must stay."""
        member, now = self.actor.membership_id, self.actor.now
        assert member is not None  # whoever typed a PIN is a person
        self.request._request.after_rollback = [lambda: pin_failure_note(membership_id=member, now=now)]  # type: ignore[attr-defined]
