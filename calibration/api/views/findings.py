"""Findings and the rulings on them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from uuid import UUID

from django.utils.translation import gettext_lazy as _
from rest_framework.request import Request
from rest_framework.response import Response

from calibration.models import Finding, Ruling
from calibration.services.decisions import finding_rule
from fleet.errors import Invalid
from fleet.permissions import Permission

from .. import examples
from ..documents import Shown, finding_documents
from ..openapi import ACTING
from ..serializers.findings import FindingRecord, NewRuling, RulingRecord
from .base import Body, RecordsViewSet


class FindingViewSet(RecordsViewSet):
    """`/jobs/{id}/findings/`"""

    model = Finding
    serializer_class = FindingRecord
    summaries = {
        "list": _("The findings of a job, oldest first."),
        "retrieve": _("One finding."),
    }

    def documents(self, rows: Sequence[Finding]) -> list[Shown]:
        return finding_documents(rows, Ruling.objects.filter(finding__in=rows).order_by("recorded_at", "id"))


class RulingViewSet(RecordsViewSet):
    """`/jobs/{id}/rulings/`"""

    model = Ruling
    serializer_class = RulingRecord
    bodies = {"create": NewRuling}
    answers = {"create": (ACTING, RulingRecord)}
    summaries = {
        "list": _("The rulings of a job, oldest first; on each finding the last one counts."),
        "retrieve": _("One ruling."),
        "create": _("Rule on a finding: accepted it no longer blocks, rejected it stands (managers)."),
    }
    examples = examples.RULINGS

    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        job = self.job

        def do(record_id: UUID, body: Body) -> Ruling:
            finding: Finding = body.pop("finding")
            if finding.job_id != job.pk:
                raise Invalid.at("/finding", "other_job", _("This finding belongs to another job."))
            return finding_rule(actor=self.actor, record_id=record_id, job_id=job.pk, finding_id=finding.pk, **body)

        return self.act(self.body(Permission.RULE), do, job=job.pk)
