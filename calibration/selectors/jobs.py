"""Which jobs and approvals an actor may see."""

from __future__ import annotations

import uuid

from django.db.models import F, Q, QuerySet

from fleet.actor import Actor
from fleet.errors import NotFound
from fleet.permissions import Permission, may

from ..models import Approval, Job


def visible_jobs(actor: Actor) -> QuerySet[Job]:
    """All of the workshop's jobs; for an operator's contact those on vehicles while they were the operator's."""
    jobs = Job.objects.select_related("vehicle__vehicle_model", "vehicle__operator", "specification", "bay", "to_job")
    if may(actor, Permission.READ_WORKSHOP):
        return jobs
    if actor.operator_id is None or not may(actor, Permission.READ_OWN_VEHICLES):
        return jobs.none()
    theirs = Q(
        vehicle__tenures__operator=actor.operator_id,
        vehicle__tenures__began_at__lte=F("opened_at"),
    ) & (Q(vehicle__tenures__ended_at__isnull=True) | Q(vehicle__tenures__ended_at__gte=F("opened_at")))
    return jobs.filter(theirs).distinct()


def job_for(actor: Actor, job_id: uuid.UUID) -> Job:
    """One job that the actor may see."""
    try:
        return visible_jobs(actor).get(pk=job_id)
    except Job.DoesNotExist:
        raise NotFound from None


def visible_approvals(actor: Actor) -> QuerySet[Approval]:
    """Approvals of the workshop; those who may read it may read what is to be approved."""
    approvals = Approval.objects.select_related("job__vehicle", "proposal", "concession").prefetch_related("decisions")
    return approvals if may(actor, Permission.READ_WORKSHOP) else approvals.none()
