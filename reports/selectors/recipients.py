"""Who is told of what. Recipients are named by id until the moment of sending."""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Self

from django.db.models import Q, QuerySet

from calibration.models import Approval, Finding, Job, Reading
from fleet.models import Membership, Operator, Role, Tenure

from ..models import Certificate


@dataclass(frozen=True, slots=True)
class Recipient:
    """A member of the workshop, or an operator as such."""

    kind: str
    id: uuid.UUID

    @classmethod
    def of(cls, payload: Mapping[str, Any]) -> Self:
        kind = next(kind for kind in ("membership", "operator") if kind in payload)
        return cls(kind, uuid.UUID(payload[kind]))

    def reference(self) -> dict[str, str]:
        return {self.kind: str(self.id)}

    def address(self) -> str | None:
        """Where to write to now; None where the recipient is gone or has left."""
        if self.kind == "operator":
            return Operator.objects.filter(pk=self.id).values_list("email", flat=True).first()
        members = Membership.objects.filter(pk=self.id, is_active=True)
        return members.values_list("user__email", flat=True).first()

    def language(self) -> str:
        """The one that a person chose; empty where nobody did."""
        chosen = Membership.objects.filter(pk=self.id).values_list("language", flat=True)
        return (chosen.first() or "") if self.kind == "membership" else ""


def operator_of(job: Job) -> Operator:
    """Whose the vehicle was while the job was done."""
    tenure = (
        Tenure.objects.select_related("operator")
        .filter(vehicle=job.vehicle_id, began_at__lte=job.closed_at or job.opened_at)
        .order_by("-began_at")
        .first()
    )
    return tenure.operator if tenure else job.vehicle.operator


def of_certificate(certificate_id: uuid.UUID) -> list[Recipient]:
    """The operator, where it has an address, and its contacts, each address once."""
    certificate = Certificate.objects.select_related("job__vehicle__operator").filter(pk=certificate_id).first()
    if certificate is None:
        return []
    operator = operator_of(certificate.job)
    contacts = Membership.objects.filter(
        operator=operator, is_active=True, roles__contains=[Role.OPERATOR_CONTACT]
    ).exclude(user__email__iexact=operator.email)
    return [*([Recipient("operator", operator.pk)] if operator.email else []), *_members(contacts)]


def of_approval(approval_id: uuid.UUID) -> list[Recipient]:
    """Those who may decide: who proposed or measured may not, but where nobody else is there."""
    approval = Approval.objects.select_related("proposal").filter(pk=approval_id).first()
    if approval is None:
        return []
    deciders = _deciders()
    others = deciders.exclude(pk__in=_involved(approval))
    return _members(others if others.exists() else deciders)


def of_late_record(job_id: uuid.UUID) -> list[Recipient]:
    """The managers, where something really was recorded after the job had closed."""
    if late_findings(job_id).exists():
        return _members(Membership.objects.filter(is_active=True, roles__contains=[Role.MANAGER]))
    return []


def late_findings(job_id: uuid.UUID) -> QuerySet[Finding]:
    return Finding.objects.filter(job=job_id, code="recorded_after_close").order_by("-recorded_at", "-id")


def _deciders() -> QuerySet[Membership]:
    return Membership.objects.filter(Q(roles__contains=[Role.MANAGER]) | Q(may_approve=True), is_active=True)


def _involved(approval: Approval) -> set[uuid.UUID]:
    """Who proposed and who measured in the approval's job."""
    measured = Reading.objects.filter(round__job=approval.job_id).values_list("measured_by", flat=True)
    asked = {approval.recorded_by, approval.proposal.recorded_by if approval.proposal else None}
    return {*measured, *(each for each in asked if each is not None)}


def _members(memberships: Iterable[Membership]) -> list[Recipient]:
    return [Recipient("membership", each.pk) for each in memberships]
