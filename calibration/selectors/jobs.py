"""Which jobs and approvals an actor may see."""

from __future__ import annotations

import uuid

from django.db.models import F, Q, QuerySet

from fleet.actor import Actor
from fleet.errors import NotFound
from fleet.permissions import Permission, may
from fleet.worded_once import worded_once

from ..models import Approval, Job


def visible_jobs(actor: Actor) -> QuerySet[Job]:
    """All of the workshop's jobs; for an operator's contact those on vehicles while they were the operator's."""
    return _seen(*_sight(actor))


def _sight(actor: Actor) -> tuple[bool, uuid.UUID | None]:
    """Whether an actor sees all jobs, or else whose vehicles' they see."""
    if may(actor, Permission.READ_WORKSHOP):
        return True, None
    return False, actor.operator_id if may(actor, Permission.READ_OWN_VEHICLES) else None


def _seen(sees_all: bool, operator_id: uuid.UUID | None) -> QuerySet[Job]:
    jobs = Job.objects.select_related("vehicle__vehicle_model", "vehicle__operator", "specification", "bay", "to_job")
    if sees_all:
        return jobs
    if operator_id is None:
        return jobs.none()
    theirs = Q(
        vehicle__tenures__operator=operator_id,
        vehicle__tenures__began_at__lte=F("opened_at"),
    ) & (Q(vehicle__tenures__ended_at__isnull=True) | Q(vehicle__tenures__ended_at__gte=F("opened_at")))
    return jobs.filter(theirs).distinct()


def job_for(actor: Actor, job_id: uuid.UUID) -> Job:
    """One job that the actor may see."""
    found = _one_seen(*_sight(actor), job_id)
    if not found:
        raise NotFound
    return found[0]


@worded_once
def _one_seen(sees_all: bool, operator_id: uuid.UUID | None, job_id: uuid.UUID) -> QuerySet[Job]:
    return _seen(sees_all, operator_id).filter(pk=job_id)


def visible_approvals(actor: Actor) -> QuerySet[Approval]:
    """Approvals of the workshop; those who may read it may read what is to be approved."""
    approvals = Approval.objects.select_related("job__vehicle", "proposal", "concession").prefetch_related("decisions")
    return approvals if may(actor, Permission.READ_WORKSHOP) else approvals.none()
