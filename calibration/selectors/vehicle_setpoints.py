"""What a vehicle's set-points were: the baseline that shift limits count from, and how its last job left them."""

from __future__ import annotations

import uuid
from collections.abc import Iterable
from datetime import datetime

from django.db.models import QuerySet

from fleet.models import ServiceEvent

from ..metrology.corners import CORNERS, Corner
from ..models import BaselineReset, Job, JobEnd, Resumption, Round, Write
from ..rules.arrivals import time_of_event
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
    resets = BaselineReset.objects.filter(vehicle=vehicle_id)
    times = [*_events(vehicle_id, BASELINE_KINDS), *resets.values_list("corner", "recorded_at")]
    since: dict[Corner, datetime] = {}
    for corner, at in sorted(times, key=lambda each: each[1]):
        since.update({each: at for each in CORNERS if corner in ("", each)})
    return since


def _events(vehicle_id: uuid.UUID, kinds: Iterable[str]) -> list[tuple[str, datetime]]:
    """Corner and time, as it counts, of a vehicle's service events of some kinds."""
    events = ServiceEvent.objects.filter(vehicle=vehicle_id, kind__in=kinds)
    rows = list(events.values_list("corner", "happened_at", "recorded_at"))
    jobs = list(Job.objects.filter(vehicle=vehicle_id).values_list("opened_at", "closed_at")) if rows else []
    found = []
    for corner, happened_at, recorded_at in rows:
        opened = (start for start, end in jobs if start <= recorded_at and (end is None or recorded_at <= end))
        found.append((corner, time_of_event(next(opened, None), happened_at, recorded_at)))
    return found


def left_by(job: Job) -> tuple[datetime, Setpoints] | None:
    """The set-points last read in a job, and when; None where none were read in it."""
    ended = JobEnd.objects.filter(job=job, setpoints__isnull=False).last()
    if ended is not None:
        return ended.recorded_at, ended.setpoints or {}
    sightings = [
        *Round.objects.filter(job=job, repeats=None).values_list("happened_at", "recorded_at", "setpoints"),
        *Write.objects.filter(job=job, repeats=None).values_list("happened_at", "recorded_at", "read_back"),
        *Resumption.objects.filter(job=job).values_list("recorded_at", "recorded_at", "setpoints"),
    ]
    if not sightings:
        return None
    happened_at, _recorded_at, setpoints = max(sightings, key=lambda each: each[:2])
    return happened_at, setpoints


def previous_setpoints(job: Job) -> Setpoints | None:
    """What was last read before this job, unless the control unit was replaced since."""
    for before in Job.objects.filter(vehicle=job.vehicle_id, opened_at__lt=job.opened_at).order_by("-opened_at", "-id"):
        left = left_by(before)
        if left is not None:
            since, setpoints = left
            replaced = _events(job.vehicle_id, [ServiceEvent.Kind.CONTROL_UNIT_REPLACED])
            return None if any(since < at <= job.opened_at for _corner, at in replaced) else setpoints
    return None


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


def unwritten_in(job: Job, until: datetime) -> Setpoints | None:
    """The set-points last read in a job before anything was written in it, without corners worked on since."""
    writes = Write.objects.filter(job=job, repeats=None).order_by("happened_at")
    first_write = writes.values_list("happened_at", flat=True).first()
    read = [
        *Round.objects.filter(job=job, repeats=None).values_list("happened_at", "recorded_at", "setpoints"),
        *Resumption.objects.filter(job=job).values_list("recorded_at", "recorded_at", "setpoints"),
    ]
    before = [each for each in read if first_write is None or each[0] < first_write]
    if not before:
        return None
    happened_at, _recorded_at, setpoints = max(before, key=lambda each: each[:2])
    worked_on = _worked_on_between(job.vehicle_id, happened_at, until)
    return {corner: count for corner, count in setpoints.items() if corner not in worked_on}


def _worked_on_between(vehicle_id: uuid.UUID, since: datetime, until: datetime) -> dict[Corner, datetime]:
    """When each corner was last worked on in a way that bars going back beyond it."""
    found: dict[Corner, datetime] = {}
    for corner, at in sorted(_events(vehicle_id, REVERSION_KINDS), key=lambda each: each[1]):
        if since < at <= until:
            found.update({each: at for each in CORNERS if corner in ("", each)})
    return found
