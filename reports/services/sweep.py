"""The daily sweep over a workshop's fleet: what no record brings about, such as a check that is overdue.

It reads states, not history, some thousand vehicles at a time; each piece asks for the next one, the last one learns
what the models' fleets teach and asks for tomorrow's.
"""

from __future__ import annotations

import uuid
from datetime import timedelta
from typing import Final

from calibration.models import DriftSeries
from calibration.services.drift import rate_prior_learn
from fleet import outbox
from fleet.actor import Actor
from fleet.models import OutboxItem, VehicleModel

from .alerts import fleet_sweep

KIND: Final = "reports.drift_sweep"
INTERVAL: Final = timedelta(days=1)


def sweep_plan(*, actor: Actor) -> None:
    """See that a sweep is planned, once there is something to sweep."""
    planned = OutboxItem.objects.filter(kind=KIND, state=OutboxItem.State.WAITING)
    if DriftSeries.objects.exists() and not planned.exists():
        _tomorrow(actor)


def sweep_go_on(*, actor: Actor, after: uuid.UUID | None) -> None:
    """Sweep one piece and ask for what comes next."""
    last = fleet_sweep(actor=actor, after=after)
    if last is not None:
        outbox.append(actor, KIND, {"after": str(last)})
        return
    models = VehicleModel.objects.filter(vehicles__drift_series__isnull=False).distinct()
    for model_id in models.values_list("pk", flat=True):
        rate_prior_learn(actor=actor, vehicle_model_id=model_id)
    if DriftSeries.objects.exists():
        _tomorrow(actor)


def _tomorrow(actor: Actor) -> None:
    outbox.append(actor, KIND, {}, due_at=actor.now + INTERVAL)
