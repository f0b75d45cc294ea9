"""Who is told of what. Recipients are named by id until the moment of sending."""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Self

from django.db.models import Q, QuerySet

from calibration.models import Approval, Finding, Job, Reading
from fleet.actor import Actor
from fleet.callers import actor_for
from fleet.models import Membership, Operator, Role, Tenure
from fleet.tenancy import current_workshop_id

from ..models import Certificate, DeclinedNotice, Notice


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

    def exists(self) -> bool:
        found = Operator.objects if self.kind == "operator" else Membership.objects
        return found.filter(pk=self.id).exists()

    def reader(self, now: datetime) -> Actor | None:
        """As whom the recipient may see records; None where they are gone or have left."""
        if self.kind == "operator":
            roles, workshop_id = frozenset({Role.OPERATOR_CONTACT.value}), current_workshop_id()
            return Actor(workshop_id, now, roles=roles, operator_id=self.id) if self.exists() else None
        person = Membership.objects.filter(pk=self.id, is_active=True).first()
        return actor_for(person, now) if person else None

    def language(self) -> str:
        """The one that a person chose; empty where nobody did."""
        chosen = Membership.objects.filter(pk=self.id).values_list("language", flat=True)
        return (chosen.first() or "") if self.kind == "membership" else ""


def is_declined(recipient: Recipient, kind: str) -> bool:
    return DeclinedNotice.objects.filter(kind=kind, **{recipient.kind: recipient.id}).exists()


def wanting(kind: str, recipients: Iterable[Recipient]) -> list[Recipient]:
    """Those who do not do without."""
    declined = DeclinedNotice.objects.filter(kind=kind)
    without = {("membership", m) for m in declined.values_list("membership", flat=True)}
    without |= {("operator", o) for o in declined.values_list("operator", flat=True)}
    return [each for each in recipients if (each.kind, each.id) not in without]


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
    return wanting(
        Notice.CERTIFICATE, [*([Recipient("operator", operator.pk)] if operator.email else []), *_members(contacts)]
    )


def of_approval(approval_id: uuid.UUID) -> list[Recipient]:
    """Those who may decide: who proposed or measured may not, but where nobody else is there."""
    approval = Approval.objects.select_related("proposal").filter(pk=approval_id).first()
    if approval is None:
        return []
    deciders = _deciders()
    others = deciders.exclude(pk__in=_involved(approval))
    return wanting(Notice.APPROVAL, _members(others if others.exists() else deciders))


def of_late_record(job_id: uuid.UUID) -> list[Recipient]:
    """The managers, where something really was recorded after the job had closed."""
    if late_findings(job_id).exists():
        return wanting(Notice.LATE_RECORD, managers())
    return []


def managers() -> list[Recipient]:
    return _members(Membership.objects.filter(is_active=True, roles__contains=[Role.MANAGER]))


def of_operators(operators: Iterable[uuid.UUID]) -> list[Recipient]:
    """These operators, where they have an address, and their contacts, each address once."""
    found = Operator.objects.filter(pk__in=set(operators)).exclude(email="")
    contacts = Membership.objects.filter(
        operator__in=set(operators), is_active=True, roles__contains=[Role.OPERATOR_CONTACT]
    ).exclude(user__email__in=[each.email.lower() for each in found])
    return [*(Recipient("operator", each.pk) for each in found), *_members(contacts)]


def of_all_operators() -> list[Recipient]:
    """Every operator that has vehicles here now."""
    return of_operators(Operator.objects.filter(vehicles__isnull=False).values_list("pk", flat=True))


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
