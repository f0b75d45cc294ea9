"""Proposals, concessions and reversions."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from uuid import UUID

from django.utils.translation import gettext_lazy as _
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.serializers import BaseSerializer

from calibration.models import Approval, Concession, Proposal, Reversion
from calibration.services.proposals import (
    concession_request,
    proposal_compute,
    proposal_enter,
    reversion_begin,
)
from fleet.permissions import Permission

from .. import examples
from ..documents import Shown, concession_document, proposal_document
from ..filters import RecordFilter
from ..openapi import RECORDING
from ..serializers.jobs import NewReversion
from ..serializers.proposals import (
    ConcessionRecord,
    NewConcession,
    NewProposal,
    ProposalRecord,
    ReversionRecord,
)
from .base import Body, RecordsViewSet


def shown_proposals(rows: Sequence[Proposal]) -> list[Shown]:
    approvals = list(Approval.objects.filter(proposal__in=rows).order_by("recorded_at", "id"))
    return [proposal_document(row, approvals) for row in rows]


class ProposalViewSet(RecordsViewSet):
    """`/proposals/` and `/jobs/{id}/proposals/`"""

    model = Proposal
    serializer_class = ProposalRecord
    filterset_class = RecordFilter
    bodies = {"create": NewProposal}
    answers = {"create": (RECORDING, ProposalRecord)}
    summaries = {
        "list": _("Proposals, oldest first, refused ones among them."),
        "retrieve": _("One proposal."),
        "create": _("Ask for the computed proposal with an empty body, or enter set-points with a justification."),
    }
    examples = examples.PROPOSALS

    def documents(self, rows: Sequence[Proposal]) -> list[Shown]:
        return shown_proposals(rows)

    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        job_id = self.job.pk

        def do(record_id: UUID, body: Body) -> Proposal:
            if body:
                return proposal_enter(actor=self.actor, record_id=record_id, job_id=job_id, **body)
            return proposal_compute(actor=self.actor, record_id=record_id, job_id=job_id)

        return self.record(self.body(Permission.RECORD_FACTS), do, job=job_id)


class ConcessionViewSet(RecordsViewSet):
    """`/jobs/{id}/concession/`"""

    model = Concession
    serializer_class = ConcessionRecord
    bodies = {"create": NewConcession}
    answers = {"create": (RECORDING, ConcessionRecord)}
    summaries = {
        "list": _("The concessions of a job, oldest first; the last approved one is in force."),
        "retrieve": _("One concession."),
        "create": _("Ask for other targets than the specification's. Another person must approve them."),
    }
    examples = examples.CONCESSIONS

    def documents(self, rows: Sequence[Concession]) -> list[Shown]:
        approvals = list(Approval.objects.filter(concession__in=rows).order_by("recorded_at", "id"))
        return [concession_document(row, approvals) for row in rows]

    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        job_id = self.job.pk
        return self.record(
            self.body(Permission.RECORD_FACTS),
            lambda record_id, body: concession_request(actor=self.actor, record_id=record_id, job_id=job_id, **body),
            job=job_id,
        )


class ReversionViewSet(RecordsViewSet):
    """`/jobs/{id}/reversion/`"""

    model = Reversion
    bodies = {"create": NewReversion}
    answers = {"create": (RECORDING, ProposalRecord)}
    summaries = {
        "list": _("The decisions to go back in a job, oldest first."),
        "retrieve": _("One decision to go back, with the set-points that it goes back to."),
        "create": _(
            "Go back to the as-found set-points. Gives the first proposal on the way; its id is the request's."
        ),
    }
    examples = examples.REVERSIONS

    def get_serializer_class(self) -> type[BaseSerializer[Any]]:
        return ProposalRecord if self.action == "create" else ReversionRecord

    def documents(self, rows: Sequence[Any]) -> Sequence[Any]:
        return shown_proposals(rows) if self.action == "create" else rows

    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        job_id = self.job.pk
        return self.record(
            self.body(Permission.RECORD_FACTS),
            lambda record_id, body: reversion_begin(actor=self.actor, record_id=record_id, job_id=job_id, **body),
            lambda record_id: Proposal.objects.get(pk=record_id),
            job=job_id,
        )
