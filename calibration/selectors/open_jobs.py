"""Whether a vehicle is being worked on, for whoever stands below this app."""

from __future__ import annotations

import uuid
from datetime import datetime

from ..models import OPEN_STATES, Job


def open_job_since(vehicle_id: uuid.UUID) -> datetime | None:
    """When the vehicle's open job was opened; None where it has none."""
    return Job.objects.filter(vehicle=vehicle_id, state__in=OPEN_STATES).values_list("opened_at", flat=True).first()
