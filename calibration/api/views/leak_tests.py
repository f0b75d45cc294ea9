"""Leak tests of a job."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from uuid import UUID

from django.utils.translation import gettext_lazy as _
from rest_framework.request import Request
from rest_framework.response import Response

from calibration.models import LeakTest
from calibration.selectors.casefile import CaseFile
from calibration.services.leak_tests import ParkedMoment, leak_test_record, leak_test_sent_before
from fleet.permissions import Permission

from .. import examples
from ..documents import Shown, finding_documents, leak_test_documents
from ..openapi import RECORDING
from ..serializers.leak_tests import LeakTestRecord, NewLeakTest
from .base import Body, RecordsViewSet


class LeakTestViewSet(RecordsViewSet):
    """`/jobs/{id}/leak-tests/`"""

    model = LeakTest
    serializer_class = LeakTestRecord
    bodies = {"create": NewLeakTest}
    answers = {"create": (RECORDING, LeakTestRecord)}
    summaries = {
        "list": _("Leak tests of a job, oldest first."),
        "retrieve": _("One leak test with its result."),
        "create": _("Record a leak test: heights of the parked vehicle at two times."),
    }
    examples = examples.LEAK_TESTS

    def documents(self, rows: Sequence[Any]) -> list[Shown]:
        case = CaseFile(self.job)
        return leak_test_documents(rows, case, finding_documents(case.findings, case.rulings))

    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        job = self.job

        def do(record_id: UUID, body: Body) -> LeakTest:
            return leak_test_record(actor=self.actor, record_id=record_id, job_id=job.pk, **_moments(body))

        def sent_before(body: Body) -> LeakTest | None:
            return leak_test_sent_before(actor=self.actor, job_id=job.pk, **_moments(body))

        return self.record(self.body(Permission.RECORD_FACTS), do, sent_before=sent_before, job=job.pk)


def _moments(body: Body) -> dict[str, Any]:
    return {
        "instrument": body["instrument"],
        "start": ParkedMoment(**body["start"]),
        "end": ParkedMoment(**body["end"]),
    }
