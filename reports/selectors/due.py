"""What is due soon or overdue, and what is due one day: height checks of vehicles, calibrations of instruments."""

from __future__ import annotations

import math
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import Final

from django.db.models import Exists, OuterRef, Q, QuerySet
from django.db.models.functions import Least

from calibration.models import OPEN_STATES, DriftSeries, DriftState, Job
from calibration.rules.drift_course import day_of, time_of_day
from calibration.selectors.vehicle_drift import VehicleDrift
from fleet.days import first_moment, local_day, workshop_zone
from fleet.selectors.instruments import instruments

from ..models import Reminder

SOON: Final = timedelta(days=14)
"""How long before its day somebody is told: days of the workshop's calendar, of which some have 23 or 25 hours."""


@dataclass(frozen=True, slots=True)
class DueThing:
    """A vehicle or an instrument, when it is due, the day from which that is counted, and since when that is known.

    `stage` is None where it is not due within the coming two weeks.
    """

    stage: Reminder.Stage | None
    done_on: date
    due_on: date
    known_since: datetime
    vehicle: uuid.UUID | None = None
    instrument: uuid.UUID | None = None
    due_at_km: int | None = None


@dataclass(frozen=True, slots=True)
class NextCheck:
    """When a vehicle's next height check is due; `at_km` where the distance comes first, `stage` as of `DueThing`."""

    on: date
    at_km: int | None
    stage: Reminder.Stage | None


def next_check(drift: VehicleDrift | None, now: datetime, zone: tzinfo) -> NextCheck | None:
    """By what is known of a vehicle's drift; None where that says of no check when it is due."""
    if drift is None or drift.due_at is None:
        return None
    at_km = drift.due.at_km
    by_distance = at_km is not None
    return NextCheck(
        on=day_due(drift.due_at, zone, by_distance=by_distance),
        at_km=None if at_km is None else round(at_km),
        stage=_stage_of_check(drift.due_at, now, zone, by_distance=by_distance),
    )


def _stage_of_check(due_at: datetime, now: datetime, zone: tzinfo, *, by_distance: bool) -> Reminder.Stage | None:
    return _stage(
        is_overdue=is_overdue(due_at, now, zone, by_distance=by_distance),
        is_soon=day_due(due_at, zone, by_distance=by_distance) <= now.astimezone(zone).date() + SOON,
    )


def _stage(*, is_overdue: bool, is_soon: bool) -> Reminder.Stage | None:
    if is_overdue:
        return Reminder.Stage.OVERDUE
    return Reminder.Stage.DUE if is_soon else None


def due_vehicles(now: datetime) -> Iterator[DueThing]:
    """Those whose height check is due within two weeks or overdue; those in the bay are about to be measured."""
    in_the_bay = Job.objects.filter(vehicle=OuterRef("vehicle"), state__in=OPEN_STATES)
    return checks(DriftSeries.objects.exclude(Exists(in_the_bay)), now, within=SOON)


def due_within(ahead: timedelta, now: datetime, series: str = "") -> Q:
    """Of a `DriftSeries`, or of what has one as `series`: due by `day_due` within so many days of the calendar."""
    last = local_day(now) + ahead
    by_months = day_of(datetime.combine(last, time.min, UTC))
    by_distance = day_of(first_moment(last + timedelta(days=1)))
    return Q((f"{series}due_day__lte", by_months)) | Q((f"{series}distance_due_day__lt", by_distance))


def checks(of_vehicles: QuerySet[DriftSeries], now: datetime, *, within: timedelta) -> Iterator[DueThing]:
    """The next height check of each vehicle that has one within so many days, the earliest first."""
    zone = workshop_zone()
    found = list(
        of_vehicles.annotate(first_day=Least("due_day", "distance_due_day"))
        .filter(due_within(within, now))
        .order_by("first_day", "vehicle")
    )
    last_days = _last_days([series.vehicle_id for series in found])
    for series in found:
        last = last_days.get(series.vehicle_id)
        if last is None:
            continue
        by_distance = series.distance_due_day < series.due_day
        due_at = time_of_day(min(series.due_day, series.distance_due_day))
        yield DueThing(
            stage=_stage_of_check(due_at, now, zone, by_distance=by_distance),
            done_on=time_of_day(last).astimezone(zone).date(),
            due_on=day_due(due_at, zone, by_distance=by_distance),
            known_since=series.due_changed_at,
            vehicle=series.vehicle_id,
            due_at_km=round(series.due_at_km) if by_distance else None,
        )


def day_due(due_at: datetime, zone: tzinfo, *, by_distance: bool) -> date:
    """By months it is a day of the calendar, wherever the workshop is; by distance the day of a moment."""
    return due_at.astimezone(zone).date() if by_distance else due_at.date()


def is_overdue(due_at: datetime, now: datetime, zone: tzinfo, *, by_distance: bool) -> bool:
    """From the beginning of its day where the workshop is; by distance from the moment on."""
    return (due_at if by_distance else datetime.combine(due_at.date(), time.min, zone)) <= now


def _last_days(vehicles: list[uuid.UUID]) -> dict[uuid.UUID, float]:
    """When each was last measured at any corner."""
    days = DriftState.objects.filter(vehicle__in=vehicles).values_list("vehicle", "day")
    known = sorted((vehicle, day) for vehicle, day in days if math.isfinite(day))
    return dict(known)


def due_instruments(now: datetime) -> Iterator[DueThing]:
    """Those whose calibration ends within two weeks or has ended; not those withdrawn."""
    return calibrations(now, within=SOON)


def calibrations(now: datetime, *, within: timedelta) -> Iterator[DueThing]:
    """The next calibration of each instrument in use that has one within so many days."""
    today = local_day(now)
    for instrument in instruments():
        calibration = instrument.latest_calibration
        if instrument.is_withdrawn or calibration.due_on > today + within:
            continue
        yield DueThing(
            stage=_stage(is_overdue=calibration.due_on < today, is_soon=calibration.due_on <= today + SOON),
            done_on=calibration.calibrated_on,
            due_on=calibration.due_on,
            known_since=calibration.recorded_at,
            instrument=instrument.pk,
        )
