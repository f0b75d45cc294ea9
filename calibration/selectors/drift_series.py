"""Everything on record that a vehicle's drift follows from, as observations in the order in which they happened."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import Q

from fleet.days import local_day
from fleet.models import ServiceEvent, Vehicle

from ..metrology.drift_series import Observation, SeriesState, beginning, follow_series
from ..metrology.rate_prior import DEFAULT_RATE_PRIOR, RatePrior
from ..models import DriftRatePrior, Job, Refiling
from ..rules import drift_course
from ..rules.arrivals import time_of_event
from ..rules.check_due import CheckInterval, OdometerReading
from ..rules.drift_course import Timed
from .casefile import CaseFile
from .casefiles import case_files
from .height_checks import height_checks_of
from .odometer import odometer_readings
from .respecified import respecified
from .specifications import pure_specification, revision_in_force
from .vehicle_setpoints import previous_setpoints_of

PriorAt = Callable[[datetime], RatePrior]


@dataclass(frozen=True, slots=True)
class Series:
    """A vehicle's observations, oldest first, what was known of its model's rate by then, and how far it went."""

    timed: tuple[Timed, ...]
    prior: RatePrior
    readings: tuple[OdometerReading, ...] = ()

    @property
    def observations(self) -> list[Observation]:
        return [each.observation for each in self.timed]

    def followed(self) -> SeriesState:
        """Where it stands after all of them."""
        return follow_series(beginning(self.prior), self.observations)


def series_of(vehicle: Vehicle, received_by: datetime | None = None) -> Series:
    """The series as it was known at a time: from what had been received by then; from everything without one."""
    prior_at = _priors(vehicle.vehicle_model_id)
    jobs = _jobs_of(vehicle, received_by)
    cases = _cases(jobs, received_by)
    timed = [
        *(each for case in cases for each in _of_case(case)),
        *_of_checks(vehicle, received_by),
        *_of_events(vehicle, jobs, received_by, prior_at),
    ]
    if not timed:
        return Series((), DEFAULT_RATE_PRIOR)
    prior = prior_at(min(each.recorded_at for each in timed))
    timed += respecified(vehicle, cases, min(each.at for each in timed), received_by)
    timed.sort(key=lambda each: (each.at, each.recorded_at))
    return Series(tuple(timed), prior, tuple(odometer_readings(vehicle, received_by)))


def _priors(vehicle_model_id: uuid.UUID) -> PriorAt:
    rows = list(DriftRatePrior.objects.filter(vehicle_model=vehicle_model_id).order_by("recorded_at", "id"))

    def at(time: datetime) -> RatePrior:
        known = [row for row in rows if row.recorded_at <= time]
        return RatePrior(known[-1].mean, known[-1].variance, known[-1].corners) if known else DEFAULT_RATE_PRIOR

    return at


def _jobs_of(vehicle: Vehicle, received_by: datetime | None) -> list[Job]:
    """The vehicle's jobs; those that were another's then are left out, those refiled away since are its own."""
    jobs = Job.objects.select_related("vehicle", "specification", "to_job").order_by("opened_at", "id")
    if received_by is None:
        return list(jobs.filter(vehicle=vehicle))
    refiled_since = Refiling.objects.filter(recorded_at__gt=received_by).filter(
        Q(from_vehicle=vehicle) | Q(to_vehicle=vehicle)
    )
    first_since: dict[uuid.UUID, Refiling] = {}
    for job_id in refiled_since.values_list("job", flat=True).distinct():
        later = Refiling.objects.filter(job=job_id, recorded_at__gt=received_by).order_by("recorded_at", "id")
        first_since[job_id] = later[0]
    found = []
    for job in jobs.filter(Q(vehicle=vehicle) | Q(pk__in=first_since), opened_at__lte=received_by):
        refiling = first_since.get(job.pk)
        if refiling is not None:
            if refiling.from_vehicle_id != vehicle.pk:
                continue
            job.vehicle = vehicle
            job.specification = revision_in_force(vehicle.vehicle_model_id, local_day(job.opened_at))
        found.append(job)
    return found


def _cases(jobs: Sequence[Job], received_by: datetime | None) -> list[CaseFile]:
    cases = case_files(jobs)
    if received_by is None:
        return cases
    previous = previous_setpoints_of(jobs, received_by)
    for case in cases:
        case.__dict__["_previous_setpoints"] = previous[case.job.pk]
        _forget_later(case, received_by)
    return [case for case in cases if case.specification is None or case.specification.recorded_at <= received_by]


def _forget_later(case: CaseFile, received_by: datetime) -> None:
    """Leave in a case file what had been recorded by a time."""
    for name, value in case.__dict__.items():
        if isinstance(value, list):
            case.__dict__[name] = _known(value, received_by)
    rounds: list[Any] = case.rounds
    for each in rounds:
        each.reading_rows = _known(each.reading_rows, received_by)


def _known(rows: Iterable[Any], received_by: datetime) -> list[Any]:
    return [row for row in rows if row.recorded_at <= received_by]


def _of_case(case: CaseFile) -> list[Timed]:
    if case.specification is None:
        return []
    return drift_course.of_job(case.standing, CheckInterval.of(case.specification.content))


def _of_checks(vehicle: Vehicle, received_by: datetime | None) -> Iterable[Timed]:
    """Height checks; of another loading they are shown, not fitted."""
    for measured in height_checks_of(vehicle, received_by):
        check, specification, revision = measured.check, measured.specification, measured.revision
        if specification is None or revision is None or not measured.is_fitted:
            continue
        basis = drift_course.basis_of(specification, CheckInterval.of(revision.content))
        found = [(each.mean_mm, each.budget) for each in measured.corners.values()]
        yield Timed(check.happened_at, check.received_at, drift_course.heights_at(check.happened_at, found, basis))


def _of_events(
    vehicle: Vehicle, jobs: Sequence[Job], received_by: datetime | None, prior_at: PriorAt
) -> Iterable[Timed]:
    """Events, at the times at which the jobs count them."""
    events = ServiceEvent.objects.filter(vehicle=vehicle, kind__in=drift_course.BREAKING_KINDS)
    if received_by is not None:
        events = events.filter(recorded_at__lte=received_by)
    rows = list(events)
    if not rows:
        return
    revision = revision_in_force(vehicle.vehicle_model_id, local_day(max(row.recorded_at for row in rows)))
    specification = pure_specification(revision.content) if revision else None
    for row in rows:
        at = time_of_event(_opened_at(jobs, row.recorded_at), row.happened_at, row.recorded_at)
        corner: Any = row.corner or None
        told = drift_course.of_event(at, row.kind, corner, specification, prior_at(row.recorded_at))
        if told is not None:
            yield Timed(at, row.recorded_at, told)


def _opened_at(jobs: Sequence[Job], recorded_at: datetime) -> datetime | None:
    """When the job that was open then had been opened."""
    return next(
        (
            job.opened_at
            for job in jobs
            if job.opened_at <= recorded_at and (job.closed_at is None or recorded_at <= job.closed_at)
        ),
        None,
    )
