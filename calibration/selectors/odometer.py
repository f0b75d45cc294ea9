"""How far a vehicle had gone, by whatever was recorded of it."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal

from fleet.days import first_moment, local_day
from fleet.models import Fitment, Vehicle

from ..models import HeightCheck, Job
from ..rules.check_due import OdometerReading
from ..rules.drift_course import day_of


def highest_odometer(vehicle: Vehicle, until: datetime | None = None) -> Decimal | None:
    """Of its jobs, of the days on which it got its tyres, and of its height checks; `until`: up to that time."""
    of_jobs, of_tyres = Job.objects.filter(vehicle=vehicle), Fitment.objects.filter(vehicle=vehicle)
    of_checks = HeightCheck.objects.filter(vehicle=vehicle)
    if until is not None:
        of_jobs = of_jobs.filter(opened_at__lte=until)
        of_tyres = of_tyres.filter(fitted_on__lt=local_day(until))
        of_checks = of_checks.filter(happened_at__lte=until)
    shown = (
        of_jobs.values_list("odometer_km"),
        of_tyres.values_list("odometer_km"),
        of_checks.values_list("odometer_km"),
    )
    return max((km for (km,) in shown[0].union(*shown[1:]) if km is not None), default=None)


def odometer_readings(vehicle: Vehicle, received_by: datetime | None = None) -> list[OdometerReading]:
    """Of its jobs, fitments and height checks, as far as they had been received by a time."""
    jobs, fitments = Job.objects.filter(vehicle=vehicle), Fitment.objects.filter(vehicle=vehicle)
    checks = HeightCheck.objects.filter(vehicle=vehicle, repeats=None)
    if received_by is not None:
        jobs = jobs.filter(opened_at__lte=received_by)
        fitments = fitments.filter(recorded_at__lte=received_by)
        checks = checks.filter(received_at__lte=received_by)
    read: list[tuple[datetime, Decimal | None]] = [
        *jobs.values_list("opened_at", "odometer_km"),
        *checks.values_list("happened_at", "odometer_km"),
        *((first_moment(on), km) for on, km in fitments.values_list("fitted_on", "odometer_km")),
    ]
    return [OdometerReading(day_of(at), float(km)) for at, km in read if km is not None]
