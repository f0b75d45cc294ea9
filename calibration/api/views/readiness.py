"""Readiness checks of a job."""

from __future__ import annotations

from typing import Any

from django.utils.translation import gettext_lazy as _
from rest_framework.request import Request
from rest_framework.response import Response

from calibration.models import Readiness
from calibration.services.readiness import readiness_record
from fleet.permissions import Permission

from .. import examples
from ..openapi import RECORDING
from ..serializers.readiness import NewReadiness, ReadinessRecord
from .base import RecordsViewSet


class ReadinessViewSet(RecordsViewSet):
    """`/jobs/{id}/readiness/`"""

    model = Readiness
    serializer_class = ReadinessRecord
    bodies = {"create": NewReadiness}
    answers = {"create": (RECORDING, ReadinessRecord)}
    summaries = {
        "list": _("Readiness checks of a job, oldest first."),
        "retrieve": _("One record of readiness checks."),
        "create": _("Record readiness checks. Each record is kept; per item the last outcome counts."),
    }
    examples = examples.READINESS

    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        job = self.job
        return self.record(
            self.body(Permission.RECORD_FACTS),
            lambda record_id, body: readiness_record(actor=self.actor, record_id=record_id, job_id=job.pk, **body),
            job=job.pk,
        )
