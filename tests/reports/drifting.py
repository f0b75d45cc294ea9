"""Vehicles that drift, by height checks and jobs in a few lines."""

from __future__ import annotations

from datetime import datetime, timedelta
from decimal import Decimal

from django.utils import timezone

from calibration.services.height_checks import height_check_record
from fleet.ids import new_id
from fleet.models import Instrument, Vehicle
from fleet.tenancy import in_workshop
from tests.factories import Site

HEIGHTS = {"FL": 486.0, "FR": 486.0, "RL": 504.0, "RR": 504.0}


def checked(
    site: Site,
    vehicle: Vehicle,
    *,
    days_ago: float,
    instrument: Instrument | None = None,
    odometer_km: int | None = None,
    **heights: float,
) -> datetime:
    """A height check with two readings a corner; gives when it was taken and recorded."""
    at = timezone.now() - timedelta(days=days_ago)
    read = {**HEIGHTS, **heights}
    with in_workshop(site.workshop.pk):
        height_check_record(
            actor=site.technician.actor(at),
            record_id=new_id(),
            vehicle=vehicle,
            taken_at=at,
            instrument=instrument,
            odometer_km=None if odometer_km is None else Decimal(odometer_km),
            readings=[
                {"corner": corner, "height_mm": Decimal(str(height))} for corner, height in read.items() for _ in "12"
            ],
            loading="as_specified",
        )
    return at


def sinking(site: Site, vehicle: Vehicle, tape: Instrument, *, last_days_ago: float = 20) -> None:
    """The front left corner sinks by 5 mm a year and nears its tolerance."""
    for number in range(7):
        days_ago = last_days_ago + 60 * (6 - number)
        checked(site, vehicle, days_ago=days_ago, instrument=tape, FL=486.0 - 0.8 * number)
