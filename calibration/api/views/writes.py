"""Writes with their read-back."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from uuid import UUID

from django.utils.translation import gettext_lazy as _
from rest_framework.request import Request
from rest_framework.response import Response

from calibration.models import Finding, Ruling, Write
from calibration.services.repeats import write_sent_before
from calibration.services.writes import write_record
from fleet.errors import Invalid
from fleet.permissions import Permission

from .. import examples
from ..corner_maps import require_controlled_corners
from ..documents import Shown, finding_documents, write_documents
from ..filters import RecordFilter
from ..openapi import RECORDING
from ..serializers.writes import NewWrite, WriteRecord
from .base import Body, RecordsViewSet


class WriteViewSet(RecordsViewSet):
    """`/writes/` and `/jobs/{id}/writes/`"""

    model = Write
    serializer_class = WriteRecord
    filterset_class = RecordFilter
    bodies = {"create": NewWrite}
    answers = {"create": (RECORDING, WriteRecord)}
    summaries = {
        "list": _("Writes with their read-back, oldest first."),
        "retrieve": _("One write."),
        "create": _("Record what was stored in the vehicle, as read back from it."),
    }
    examples = examples.WRITES

    def documents(self, rows: Sequence[Write]) -> list[Shown]:
        findings = Finding.objects.filter(source_id__in=[row.pk for row in rows]).order_by("recorded_at", "id")
        rulings = Ruling.objects.filter(finding__in=findings).order_by("recorded_at", "id")
        return write_documents(rows, finding_documents(findings, rulings))

    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        job = self.job

        def do(record_id: UUID, body: Body) -> Write:
            require_controlled_corners(job, body["read_back"], "read_back")
            self._require_own_proposal(body)
            return write_record(actor=self.actor, record_id=record_id, job_id=job.pk, **body)

        def sent_before(body: Body) -> Write | None:
            return write_sent_before(actor=self.actor, job_id=job.pk, **body)

        return self.record(self.body(Permission.RECORD_FACTS), do, sent_before=sent_before, job=job.pk)

    def _require_own_proposal(self, body: Body) -> None:
        proposal = body["proposal"]
        if proposal is not None and proposal.job_id != self.job.pk:
            detail = _("This proposal belongs to another job. Name one of this job, or none.")
            raise Invalid.at("/proposal", "other_job", detail)
