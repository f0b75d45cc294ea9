"""Which alerts a person sees, now and as they were known at a time."""

from __future__ import annotations

import math
import uuid
from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any, Final

from django.db.models import Exists, OuterRef, Q, QuerySet

from calibration.metrology.drift_alerts import Finding
from fleet.actor import Actor
from fleet.errors import NotFound
from fleet.models import Tenure, Vehicle
from fleet.permissions import Permission, may
from fleet.selectors.vehicles import sees_whole_workshop

from ..models import DriftAlert

DECIMALS: Final = 6
MOVING_WITH_THE_DATE: Final = "days_late"
"""Would have an alert updated every day for nothing."""


def figures_of(finding: Finding) -> dict[str, float]:
    """The figures behind a finding, rounded as an alert keeps them, so that equal ones are known as such."""
    return {
        name: round(value, DECIMALS) if math.isfinite(value) else math.nan
        for name, value in finding.values.items()
        if name != MOVING_WITH_THE_DATE
    }


def details_of(figures: Mapping[str, float]) -> dict[str, Any]:
    """The same as an alert keeps them: null where there is none."""
    return {name: None if math.isnan(value) else value for name, value in figures.items()}


def visible_alerts(actor: Actor) -> QuerySet[DriftAlert]:
    """All of the workshop's; an operator contact's are those opened while the vehicle was theirs."""
    alerts = DriftAlert.objects.select_related("vehicle", "resolved_by_job")
    if sees_whole_workshop(actor):
        return alerts
    if actor.operator_id is None or not may(actor, Permission.READ_OWN_VEHICLES):
        return alerts.none()
    theirs = Tenure.objects.filter(
        Q(ended_at__isnull=True) | Q(ended_at__gt=OuterRef("opened_at")),
        vehicle=OuterRef("vehicle"),
        operator_id=actor.operator_id,
        began_at__lte=OuterRef("opened_at"),
    )
    return alerts.filter(Exists(theirs))


def alert_for(actor: Actor, alert_id: uuid.UUID) -> DriftAlert:
    alert = visible_alerts(actor).filter(pk=alert_id).first()
    if alert is None:
        raise NotFound
    return alert


def open_alerts_of(actor: Actor, vehicle: Vehicle) -> list[DriftAlert]:
    return list(visible_alerts(actor).filter(vehicle=vehicle, state=DriftAlert.State.OPEN))


def alerts_as_of(actor: Actor, vehicle: Vehicle, as_of: datetime, findings: Iterable[Finding]) -> list[DriftAlert]:
    """The alerts that were open then, with what the findings of then say; not to be saved."""
    found: dict[tuple[str, str], dict[str, Any]] = {
        (each.kind, each.place): details_of(figures_of(each)) for each in findings
    }
    open_then = Q(resolved_at__isnull=True) | Q(resolved_at__gt=as_of)
    alerts = list(visible_alerts(actor).filter(open_then, vehicle=vehicle, opened_at__lte=as_of))
    for alert in alerts:
        alert.state, alert.resolution = DriftAlert.State.OPEN, ""
        alert.resolved_at = alert.resolved_by_job = None
        alert.updated_at = min(alert.updated_at, as_of)
        alert.details = found.get((alert.kind, alert.place), alert.details)
        if alert.acknowledged_at is not None and alert.acknowledged_at > as_of:
            alert.acknowledged_at = alert.acknowledged_by = None
            alert.note = ""
    return alerts
