"""When vehicles were last put right: by a job that was signed off, or by a repair."""

from __future__ import annotations

import uuid
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from fleet.models import ServiceEvent

from ..models import Job
from ..rules.drift_course import BREAKING_KINDS


@dataclass(frozen=True, slots=True)
class PutRightAt:
    """`job` is the one signed off; none where it was a repair outside of one."""

    at: datetime
    job: uuid.UUID | None = None


def last_put_right(vehicle_ids: Collection[uuid.UUID]) -> dict[uuid.UUID, PutRightAt]:
    """By vehicle; those that never were are left out."""
    found: dict[uuid.UUID, PutRightAt] = {}
    if not vehicle_ids:
        return found
    events = ServiceEvent.objects.filter(vehicle__in=vehicle_ids, kind__in=BREAKING_KINDS)
    for vehicle, at in events.order_by("happened_at").values_list("vehicle", "happened_at"):
        found[vehicle] = PutRightAt(at)
    jobs = Job.objects.filter(vehicle__in=vehicle_ids, state=Job.State.SIGNED_OFF, closed_at__isnull=False)
    for vehicle, closed_at, job in jobs.order_by("closed_at").values_list("vehicle", "closed_at", "pk"):
        if closed_at is not None and (vehicle not in found or closed_at >= found[vehicle].at):
            found[vehicle] = PutRightAt(closed_at, job)
    return found
