"""What a vehicle's set-points were: the baseline that shift limits count from, and how its last job left them."""

from __future__ import annotations

import uuid
from collections.abc import Collection, Iterable, Mapping
from datetime import datetime
from typing import Any

from django.db.models import Q, QuerySet

from fleet.models import ServiceEvent
from fleet.worded_once import worded_once

from ..metrology.corners import CORNERS, Corner
from ..models import BaselineReset, Job, JobEnd, Resumption, Round, Write
from ..rules.arrivals import time_of_event
from ..rules.course import BASELINE_KINDS, REVERSION_KINDS
from ..rules.record import Setpoints

CountRange = tuple[int | None, int | None]
Left = tuple[datetime, Setpoints]


def baseline_of(
    vehicle_id: uuid.UUID, lowest: int | None, highest: int | None, *, may_restart: bool = True
) -> dict[Corner, int]:
    """Per corner its first recorded set-point since the sensor or control unit was last replaced, or a reset.

    Counts that the control unit cannot hold were misread and set no baseline. Of a vehicle that is known to have
    neither event nor reset nothing `may_restart` it.
    """
    return baselines_of({vehicle_id: (lowest, highest)}, may_restart=may_restart)[vehicle_id]


def baselines_of(
    ranges: Mapping[uuid.UUID, CountRange], *, may_restart: bool = True
) -> dict[uuid.UUID, dict[Corner, int]]:
    """The baselines of several vehicles, each with the counts that its control unit can hold."""
    restarts = _restarts(ranges) if may_restart else {}
    found: dict[uuid.UUID, dict[Corner, int]] = {vehicle_id: {} for vehicle_id in ranges}
    for vehicle_id, happened_at, setpoints in _setpoints_read(tuple(ranges)):
        baseline, since = found[vehicle_id], restarts.get(vehicle_id, {})
        lowest, highest = ranges[vehicle_id]
        for corner in CORNERS:
            started = since.get(corner)
            count = setpoints.get(corner)
            if count is None or corner in baseline or (started is not None and happened_at <= started):
                continue
            if lowest is None or highest is None or lowest <= count <= highest:
                baseline[corner] = count
    return found


def _rounds_of(vehicle_ids: Iterable[uuid.UUID]) -> QuerySet[Round]:
    """In the order in which they were measured; what was sent once more tells nothing new."""
    rounds = Round.objects.filter(job__vehicle__in=list(vehicle_ids), repeats=None)
    return rounds.order_by("happened_at", "recorded_at", "id")


@worded_once
def _setpoints_read(vehicle_ids: tuple[uuid.UUID, ...]) -> QuerySet[Any, tuple[uuid.UUID, datetime, Setpoints]]:
    return _rounds_of(vehicle_ids).values_list("job__vehicle", "happened_at", "setpoints")


def _restarts(vehicle_ids: Iterable[uuid.UUID]) -> dict[uuid.UUID, dict[Corner, datetime]]:
    """By vehicle, since when each corner's baseline is sought."""
    vehicles = tuple(vehicle_ids)
    events = _events(vehicles, BASELINE_KINDS)
    times = [(vehicle, *each) for vehicle, found in events.items() for each in found]
    since: dict[uuid.UUID, dict[Corner, datetime]] = {}
    for vehicle, corner, at in sorted([*times, *_resets_of(vehicles)], key=lambda each: each[2]):
        since.setdefault(vehicle, {}).update({each: at for each in CORNERS if corner in ("", each)})
    return since


@worded_once
def _resets_of(vehicle_ids: tuple[uuid.UUID, ...]) -> QuerySet[Any, tuple[uuid.UUID, str, datetime]]:
    return BaselineReset.objects.filter(vehicle__in=vehicle_ids).values_list("vehicle", "corner", "recorded_at")


@worded_once
def _events_received(
    vehicle_ids: tuple[uuid.UUID, ...], kinds: tuple[str, ...], received_by: datetime | None
) -> QuerySet[Any, tuple[uuid.UUID, str, datetime, datetime]]:
    events = ServiceEvent.objects.filter(vehicle__in=vehicle_ids, kind__in=kinds)
    if received_by is not None:
        events = events.filter(recorded_at__lte=received_by)
    return events.values_list("vehicle", "corner", "happened_at", "recorded_at")


def _events(
    vehicle_ids: Iterable[uuid.UUID], kinds: Iterable[str], received_by: datetime | None = None
) -> dict[uuid.UUID, list[tuple[str, datetime]]]:
    """By vehicle, corner and time, as it counts, of its service events of some kinds."""
    rows = _events_received(tuple(vehicle_ids), tuple(kinds), received_by)
    jobs = Job.objects.filter(vehicle__in={row[0] for row in rows}) if rows else Job.objects.none()
    open_times = list(jobs.values_list("vehicle", "opened_at", "closed_at"))
    found: dict[uuid.UUID, list[tuple[str, datetime]]] = {}
    for vehicle, corner, happened_at, recorded_at in rows:
        opened = (
            start
            for of, start, end in open_times
            if of == vehicle and start <= recorded_at and (end is None or recorded_at <= end)
        )
        found.setdefault(vehicle, []).append((corner, time_of_event(next(opened, None), happened_at, recorded_at)))
    return found


def left_by(job: Job) -> Left | None:
    """The set-points last read in a job, and when; None where none were read in it."""
    return _left_by([job.pk]).get(job.pk)


def _left_by(job_ids: Iterable[uuid.UUID], received_by: datetime | None = None) -> dict[uuid.UUID, Left]:
    jobs = list(job_ids)
    known = Q() if received_by is None else Q(recorded_at__lte=received_by)
    ends = JobEnd.objects.filter(known, job__in=jobs, setpoints__isnull=False)
    found = {end.job_id: (end.recorded_at, end.setpoints or {}) for end in ends}
    going_on = [job for job in jobs if job not in found]
    sightings = (
        (Round.objects.filter(known, job__in=going_on, repeats=None), "happened_at", "setpoints"),
        (Write.objects.filter(known, job__in=going_on, repeats=None), "happened_at", "read_back"),
        (Resumption.objects.filter(known, job__in=going_on), "recorded_at", "setpoints"),
    )
    latest: dict[uuid.UUID, tuple[datetime, datetime, Setpoints]] = {}
    for rows, at, read in sightings if going_on else ():
        for job, happened_at, recorded_at, setpoints in rows.values_list("job", at, "recorded_at", read):
            if job not in latest or (happened_at, recorded_at) > latest[job][:2]:
                latest[job] = (happened_at, recorded_at, setpoints)
    return found | {job: (happened_at, setpoints) for job, (happened_at, _at, setpoints) in latest.items()}


def previous_setpoints(job: Job) -> Setpoints | None:
    """What was last read before this job, unless the control unit was replaced since."""
    return previous_setpoints_of([job])[job.pk]


def previous_setpoints_of(
    jobs: Collection[Job], received_by: datetime | None = None
) -> dict[uuid.UUID, Setpoints | None]:
    """The same of several jobs, by what had been received by a time."""
    left = _left_before(jobs, received_by)
    if not left:
        return dict.fromkeys((job.pk for job in jobs), None)
    vehicles = {job.vehicle_id for job in jobs if job.pk in left}
    replaced = _events(vehicles, [ServiceEvent.Kind.CONTROL_UNIT_REPLACED], received_by)
    found: dict[uuid.UUID, Setpoints | None] = {}
    for job in jobs:
        since, setpoints = left.get(job.pk, (job.opened_at, None))
        is_another = any(since < at <= job.opened_at for _corner, at in replaced.get(job.vehicle_id, ()))
        found[job.pk] = None if is_another else setpoints
    return found


@worded_once
def _jobs_of(vehicle_ids: tuple[uuid.UUID, ...]) -> QuerySet[Any, tuple[uuid.UUID, uuid.UUID, datetime]]:
    """The latest one first."""
    jobs = Job.objects.filter(vehicle__in=vehicle_ids).order_by("-opened_at", "-id")
    return jobs.values_list("vehicle", "pk", "opened_at")


def _left_before(jobs: Collection[Job], received_by: datetime | None) -> dict[uuid.UUID, Left]:
    """By job, what was last read in the latest job before it in which anything was."""
    of_vehicles = _jobs_of(tuple({job.vehicle_id for job in jobs}))
    earlier = {
        job.pk: [pk for vehicle, pk, at in of_vehicles if vehicle == job.vehicle_id and at < job.opened_at]
        for job in jobs
    }
    found: dict[uuid.UUID, Left] = {}
    while wanted := {job: candidates.pop(0) for job, candidates in earlier.items() if candidates and job not in found}:
        left = _left_by(wanted.values(), received_by)
        found |= {job: left[before] for job, before in wanted.items() if before in left}
    return found


def way_back_to(job: Job, until: datetime) -> Setpoints | None:
    """Where a later job that reverts this one goes: its first round's set-points.

    For a corner worked on since (sensor, control unit, spring, damper, linkage), those of the vehicle's first round
    after that; a corner without such a round is left out. `until` is when the later job opened.
    """
    rounds = _rounds_of([job.vehicle_id])
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
    events = _events([vehicle_id], REVERSION_KINDS).get(vehicle_id, ())
    for corner, at in sorted(events, key=lambda each: each[1]):
        if since < at <= until:
            found.update({each: at for each in CORNERS if corner in ("", each)})
    return found
