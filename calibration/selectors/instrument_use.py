"""Where an instrument was used: what a withdrawal puts in doubt."""

from __future__ import annotations

from datetime import date
from typing import Any
from uuid import UUID

from fleet.actor import Actor

from ..models import Reading
from .jobs import visible_jobs


def jobs_measured_with(actor: Actor, instrument_id: UUID, first_day: date) -> list[dict[str, Any]]:
    """The jobs in which readings were taken with an instrument from a day on, oldest first."""
    used = Reading.objects.filter(instrument=instrument_id, round__happened_at__date__gte=first_day)
    jobs = visible_jobs(actor).filter(pk__in=used.values("round__job")).order_by("opened_at", "id")
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
