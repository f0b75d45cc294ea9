"""What a vehicle's set-points were: the baseline that shift limits count from, and how its last job left them."""

from __future__ import annotations

import uuid
from datetime import datetime

from django.db.models import QuerySet
from django.db.models.functions import Least

from fleet.models import ServiceEvent

from ..metrology.corners import CORNERS, Corner
from ..models import BaselineReset, Job, JobEnd, Resumption, Round, Write
from ..rules.course import BASELINE_KINDS, REVERSION_KINDS
from ..rules.record import Setpoints


def baseline_of(vehicle_id: uuid.UUID, lowest: int | None, highest: int | None) -> dict[Corner, int]:
    """Per corner its first recorded set-point since the sensor or control unit was last replaced, or a reset.

    Counts that the control unit cannot hold were misread and set no baseline.
    """
    since = _restarts(vehicle_id)
    found: dict[Corner, int] = {}
    for happened_at, setpoints in _rounds_of(vehicle_id).values_list("happened_at", "setpoints"):
        for corner in CORNERS:
            started = since.get(corner)
            count = setpoints.get(corner)
            if count is None or corner in found or (started is not None and happened_at <= started):
                continue
            if lowest is None or highest is None or lowest <= count <= highest:
                found[corner] = count
    return found


def _rounds_of(vehicle_id: uuid.UUID) -> QuerySet[Round]:
    """In the order in which they were measured; what was sent once more tells nothing new."""
    rounds = Round.objects.filter(job__vehicle=vehicle_id, repeats=None)
    return rounds.order_by("happened_at", "recorded_at", "id")


def _restarts(vehicle_id: uuid.UUID) -> dict[Corner, datetime]:
    events = ServiceEvent.objects.filter(vehicle=vehicle_id, kind__in=BASELINE_KINDS)
    resets = BaselineReset.objects.filter(vehicle=vehicle_id)
    since: dict[Corner, datetime] = {}
    times = [
        # A time in the future does not hold a baseline open until then: what has arrived has happened.
        *events.values_list("corner", Least("happened_at", "recorded_at")),
        *resets.values_list("corner", "recorded_at"),
    ]
    for corner, at in sorted(times, key=lambda each: each[1]):
        since.update({each: at for each in CORNERS if corner in ("", each)})
    return since


def left_by(job: Job) -> dict[Corner, int] | None:
    """The set-points last read in a job; None where none were read in it."""
    ended = JobEnd.objects.filter(job=job, setpoints__isnull=False).values_list("setpoints", flat=True).last()
    if ended is not None:
        return dict(ended)
    sightings = [
        *Round.objects.filter(job=job, repeats=None).values_list("happened_at", "recorded_at", "setpoints"),
        *Write.objects.filter(job=job, repeats=None).values_list("happened_at", "recorded_at", "read_back"),
        *Resumption.objects.filter(job=job).values_list("recorded_at", "recorded_at", "setpoints"),
    ]
    return dict(max(sightings, key=lambda each: each[:2])[2]) if sightings else None


def previous_setpoints(job: Job) -> Setpoints | None:
    """What was last read before this job, unless the control unit was replaced since."""
    for before in Job.objects.filter(vehicle=job.vehicle_id, opened_at__lt=job.opened_at).order_by("-opened_at", "-id"):
        left = left_by(before)
        if left is not None:
            is_other_unit = _unit_replaced_between(job.vehicle_id, before.opened_at, job.opened_at)
            return None if is_other_unit else left
    return None


def _unit_replaced_between(vehicle_id: uuid.UUID, since: datetime, until: datetime) -> bool:
    return ServiceEvent.objects.filter(
        vehicle=vehicle_id,
        kind=ServiceEvent.Kind.CONTROL_UNIT_REPLACED,
        happened_at__gt=since,
        happened_at__lte=until,
    ).exists()


def way_back_to(job: Job, until: datetime) -> Setpoints | None:
    """Where a later job that reverts this one goes: its first round's set-points.

    For a corner worked on since (sensor, control unit, spring, damper, linkage), those of the vehicle's first round
    after that; a corner without such a round is left out. `until` is when the later job opened.
    """
    rounds = _rounds_of(job.vehicle_id)
    first = rounds.filter(job=job).first()
    if first is None:
        return None
    goal = dict(first.setpoints)
    for corner, at in _worked_on_between(job.vehicle_id, first.happened_at, until).items():
        after = rounds.filter(happened_at__gt=at, happened_at__lte=until).first()
        goal.pop(corner, None)
        if after is not None and corner in after.setpoints:
            goal[corner] = after.setpoints[corner]
    return goal


def _worked_on_between(vehicle_id: uuid.UUID, since: datetime, until: datetime) -> dict[Corner, datetime]:
    """When each corner was last worked on in a way that bars going back beyond it."""
    events = ServiceEvent.objects.filter(
        vehicle=vehicle_id, kind__in=REVERSION_KINDS, happened_at__gt=since, happened_at__lte=until
    ).order_by("happened_at", "id")
    found: dict[Corner, datetime] = {}
    for corner, at in events.values_list("corner", "happened_at"):
        found.update({each: at for each in CORNERS if corner in ("", each)})
    return found
