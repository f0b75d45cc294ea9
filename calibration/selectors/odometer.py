"""How far a vehicle had gone, by whatever was recorded of it."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal

from fleet.models import Fitment, Vehicle

from ..models import HeightCheck, Job


def highest_odometer(vehicle: Vehicle, until: datetime | None = None) -> Decimal | None:
    """Of its jobs, of the days on which it got its tyres, and of its height checks; `until`: up to that time."""
    of_jobs, of_tyres = Job.objects.filter(vehicle=vehicle), Fitment.objects.filter(vehicle=vehicle)
    of_checks = HeightCheck.objects.filter(vehicle=vehicle)
    if until is not None:
        of_jobs = of_jobs.filter(opened_at__lte=until)
        of_tyres = of_tyres.filter(fitted_on__lt=until.date())
        of_checks = of_checks.filter(happened_at__lte=until)
    shown = (
        of_jobs.values_list("odometer_km"),
        of_tyres.values_list("odometer_km"),
        of_checks.values_list("odometer_km"),
    )
    return max((km for (km,) in shown[0].union(*shown[1:]) if km is not None), default=None)
