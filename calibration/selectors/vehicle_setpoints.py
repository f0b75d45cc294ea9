"""What a vehicle's set-points were: the baseline that shift limits count from, and how its last job left them."""

from __future__ import annotations

import uuid
from datetime import datetime

from fleet.models import ServiceEvent

from ..metrology.corners import CORNERS, Corner
from ..models import BaselineReset, Job, JobEnd, Round, Write
from ..rules.course import BASELINE_KINDS
from ..rules.record import Setpoints


def baseline_of(vehicle_id: uuid.UUID) -> dict[Corner, int]:
    """Per corner its first recorded set-point since the sensor or control unit was last replaced, or a reset."""
    since = _restarts(vehicle_id)
    found: dict[Corner, int] = {}
    rounds = Round.objects.filter(job__vehicle=vehicle_id).order_by("happened_at", "recorded_at", "id")
    for happened_at, setpoints in rounds.values_list("happened_at", "setpoints"):
        for corner in CORNERS:
            started = since.get(corner)
            if corner in setpoints and corner not in found and (started is None or happened_at > started):
                found[corner] = setpoints[corner]
    return found


def _restarts(vehicle_id: uuid.UUID) -> dict[Corner, datetime]:
    events = ServiceEvent.objects.filter(vehicle=vehicle_id, kind__in=BASELINE_KINDS)
    resets = BaselineReset.objects.filter(vehicle=vehicle_id)
    since: dict[Corner, datetime] = {}
    times = [
        *events.values_list("corner", "happened_at"),
        *resets.values_list("corner", "recorded_at"),
    ]
    for corner, at in sorted(times, key=lambda each: each[1]):
        for each in (corner,) if corner else CORNERS:
            since[each] = at
    return since


def left_by(job: Job) -> dict[Corner, int] | None:
    """The set-points that a job left in the vehicle; None where nothing was read or written in it."""
    ended = JobEnd.objects.filter(job=job, setpoints__isnull=False).values_list("setpoints", flat=True).last()
    if ended is not None:
        return dict(ended)
    read = Round.objects.filter(job=job).order_by("happened_at", "recorded_at").last()
    written = Write.objects.filter(job=job).order_by("happened_at", "recorded_at").last()
    if written is not None and (read is None or written.happened_at >= read.happened_at):
        return dict(written.read_back)
    return dict(read.setpoints) if read is not None else None


def previous_setpoints(job: Job) -> Setpoints | None:
    """What the vehicle's last job before this one left, unless the control unit was replaced since."""
    before = (
        Job.objects.filter(vehicle=job.vehicle_id, opened_at__lt=job.opened_at).order_by("-opened_at", "-id").first()
    )
    if before is None or _unit_replaced_since(job.vehicle_id, before.opened_at):
        return None
    return left_by(before)


def _unit_replaced_since(vehicle_id: uuid.UUID, since: datetime) -> bool:
    return ServiceEvent.objects.filter(
        vehicle=vehicle_id, kind=ServiceEvent.Kind.CONTROL_UNIT_REPLACED, happened_at__gt=since
    ).exists()


def as_found_of(job: Job) -> Setpoints | None:
    """The set-points of a job's first round: where a job that reverts it is to go."""
    first = Round.objects.filter(job=job).order_by("happened_at", "recorded_at").first()
    return dict(first.setpoints) if first else None
