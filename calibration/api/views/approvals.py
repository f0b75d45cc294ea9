"""Approvals and the decisions on them."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.utils.translation import gettext_lazy as _
from rest_framework.request import Request
from rest_framework.response import Response

from calibration.models import OPEN_STATES, Approval, Decision
from calibration.selectors.approvals import ApprovalStates
from calibration.selectors.jobs import visible_approvals
from calibration.services.decisions import approval_decide
from fleet.permissions import Permission

from .. import examples
from ..documents import Shown, approval_document
from ..filters import ApprovalFilter
from ..openapi import ACTING
from ..serializers.findings import ApprovalRecord, NewDecision
from .base import Body, RecordsViewSet

DECIDED = {"approved": Decision.Outcome.APPROVE, "refused": Decision.Outcome.REFUSE}


class ApprovalViewSet(RecordsViewSet):
    """`/approvals/`"""

    model = Approval
    serializer_class = ApprovalRecord
    filterset_class = ApprovalFilter
    ordering = "-recorded_at"
    bodies = {"decision": NewDecision}
    answers = {"decision": (ACTING, ApprovalRecord)}
    summaries = {
        "list": _("Requests for approval, newest first."),
        "retrieve": _("One request for approval."),
        "decision": _("Approve or refuse, over the hash of what was shown. Not by who measured, proposed or wrote."),
    }
    examples = examples.APPROVALS

    @cached_property
    def states(self) -> ApprovalStates:
        return ApprovalStates(self.actor)

    def get_queryset(self) -> QuerySet[Approval]:
        if getattr(self, "swagger_fake_view", False):
            return Approval.objects.none()
        return visible_approvals(self.actor)

    def filter_queryset(self, queryset: QuerySet[Any]) -> QuerySet[Any]:
        chosen = super().filter_queryset(queryset)
        state = self.request.query_params.get("state")
        return self._of_state(chosen, state) if state else chosen

    def _of_state(self, approvals: QuerySet[Approval], state: str) -> QuerySet[Approval]:
        if state in DECIDED:
            return approvals.filter(decisions__decision=DECIDED[state])
        undecided = approvals.filter(decisions__isnull=True)
        is_open = self.states.open_among(undecided.filter(job__state__in=OPEN_STATES))
        return undecided.filter(pk__in=is_open) if state == "open" else undecided.exclude(pk__in=is_open)

    def documents(self, rows: Sequence[Approval]) -> list[Shown]:
        return [
            approval_document(self.actor, row, next(iter(row.decisions.all()), None), is_open=self.states.is_open(row))
            for row in rows
        ]

    def decision(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        approval: Approval = self.get_object()

        def do(record_id: UUID, body: Body) -> Approval:
            approval_decide(actor=self.actor, record_id=record_id, approval_id=approval.pk, **body)
            return self.get_object()  # type: ignore[no-any-return]

        body = self.body(Permission.DECIDE)
        return self.act(body, do, lambda _id: approval, approval=approval.pk)
