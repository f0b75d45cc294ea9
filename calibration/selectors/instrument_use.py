"""Where an instrument was used: what a withdrawal puts in doubt."""

from __future__ import annotations

from datetime import date
from typing import Any
from uuid import UUID

from django.db.models import Q

from fleet.actor import Actor
from fleet.days import first_moment

from ..models import LeakTest, Reading
from .jobs import visible_jobs


def jobs_measured_with(actor: Actor, instrument_id: UUID, first_day: date | None) -> list[dict[str, Any]]:
    """The jobs in which an instrument measured from a day on, or ever, oldest first."""
    used = Reading.objects.filter(instrument=instrument_id)
    parked = LeakTest.objects.filter(instrument=instrument_id)
    if first_day is not None:
        since = first_moment(first_day)
        used, parked = used.filter(round__happened_at__gte=since), parked.filter(happened_at__gte=since)
    measured = Q(pk__in=used.values("round__job")) | Q(pk__in=parked.values("job"))
    jobs = visible_jobs(actor).filter(measured).order_by("opened_at", "id")
    return [
        {
            "id": str(job.pk),
            "number": job.number,
            "vehicle": job.vehicle.vin,
            "state": job.state,
            "opened_at": job.opened_at,
        }
        for job in jobs
    ]
