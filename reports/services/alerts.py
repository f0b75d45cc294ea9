"""Alerts of drift: opened, updated and resolved as the states of the drift filter ask for; acknowledged by people."""

from __future__ import annotations

import math
import uuid
from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import datetime
from typing import Any, Final

from django.utils.translation import gettext as _

from calibration.metrology.alert_life import AlertChange, StandingAlert, alert_changes
from calibration.metrology.drift_alerts import find_alerts
from calibration.rules.drift_course import day_of
from calibration.selectors.drift import FleetStates, states_after, states_of_vehicle
from calibration.selectors.put_right import PutRightAt, last_put_right
from calibration.services.drift import drift_bring_up_to_date, drift_evaluated
from fleet import ledger
from fleet.actor import Actor
from fleet.errors import Conflict
from fleet.models import Vehicle
from fleet.permissions import Permission, require

from ..models import DriftAlert
from ..selectors.alerts import MEASURED, alert_for, details_of, figures_of, passed_untold
from .events import alert_passed_tell, alert_tell

SWEPT_AT_ONCE: Final = 20_000
"""Vehicles: one piece of background work each, well within its lease."""


def vehicle_evaluate(*, actor: Actor, vehicle_id: uuid.UUID) -> None:
    """Bring a vehicle's drift up to date and its alerts with it. May be repeated.

    While a vehicle is in the bay its alerts rest: the job is about to say what is the matter.
    """
    series = drift_bring_up_to_date(actor=actor, vehicle_id=vehicle_id)
    if series is None:
        return
    if not any(hasattr(each, "basis") for each in series.observations):
        _resolve_all(actor, vehicle_id)
        return
    found = states_of_vehicle(vehicle_id)
    _evaluate(actor, found)
    if found.vehicles:
        drift_evaluated(vehicle_ids=[vehicle_id])


def fleet_sweep(*, actor: Actor, after: uuid.UUID | None, most: int = SWEPT_AT_ONCE) -> uuid.UUID | None:
    """Judge the next vehicles by their states; gives the last one, None where there were no more. May be repeated."""
    found = states_after(after, most)
    _evaluate(actor, found)
    return found.vehicle(most - 1) if len(found.vehicles) == most else None


def alert_acknowledge(*, actor: Actor, record_id: uuid.UUID, alert_id: uuid.UUID, note: str) -> DriftAlert:
    """Say that an alert was seen, and what is to be done; it stays open until the matter is put right."""
    alert_for(actor, alert_id)
    require(actor, Permission.RECORD_FACTS)
    alert = DriftAlert.objects.select_for_update().select_related("vehicle").get(pk=alert_id)
    if alert.state == DriftAlert.State.RESOLVED:
        raise Conflict(_("This alert is resolved; there is nothing left to do."), code="alert_resolved")
    if alert.acknowledged_at is not None:
        raise Conflict(_("This alert was acknowledged already. What is to be done stands there."), code="acknowledged")
    alert.acknowledged_at, alert.acknowledged_by, alert.note = actor.now, actor.membership_id, note
    _save(actor, alert, "alert_acknowledged")
    return alert


def forecasts_passed(*, actor: Actor, opened_by: datetime) -> list[DriftAlert]:
    """Note of alerts opened by a time that their forecast has passed and is told of now; each is told of once."""
    found = list(passed_untold(actor.now, opened_by).select_for_update(of=("self",)))
    for alert in found:
        alert.passed_told_at, alert.passed_told_of = actor.now, alert.details.get(MEASURED)
        alert_passed_tell(actor=actor, alert=alert)
    DriftAlert.objects.bulk_update(found, ["passed_told_at", "passed_told_of"], batch_size=1000)
    return found


def _evaluate(actor: Actor, found: FleetStates) -> None:
    if not found.vehicles:
        return
    place_of = {vehicle: place for place, vehicle in enumerate(found.vehicles)}
    in_range = _standing(found.vehicle(0), found.vehicle(-1))
    standing = {key: alert for key, alert in in_range.items() if alert.vehicle_id.bytes in place_of}
    put_right = last_put_right({alert.vehicle_id for alert in standing.values()})
    before = [_as_standing(alert, place_of[alert.vehicle_id.bytes]) for alert in standing.values()]
    trends = {(each.vehicle, each.place): each.values for each in before if each.kind == "trend"}
    now = find_alerts(found.states, found.fleet, day_of(actor.now), known_trends=trends)
    findings = [replace(each, values=figures_of(each)) for each in now]
    changes = alert_changes(
        before,
        findings,
        {place_of[vehicle.bytes]: day_of(each.at) for vehicle, each in put_right.items()},
        found.revised,
    )
    _apply(actor, changes, found, standing, put_right)
    drift_evaluated(vehicle_ids=[found.vehicle(place) for place in found.revised])


Standing = Mapping[tuple[uuid.UUID, str, str], DriftAlert]


def _standing(first: uuid.UUID, last: uuid.UUID) -> Standing:
    """The open alerts of the vehicles from one id to another, locked."""
    alerts = DriftAlert.objects.select_for_update().filter(
        vehicle__gte=first, vehicle__lte=last, state=DriftAlert.State.OPEN
    )
    return {(alert.vehicle_id, alert.kind, alert.place): alert for alert in alerts.order_by("id")}


def _as_standing(alert: DriftAlert, place: int) -> StandingAlert:
    kind: Any = alert.kind
    figures = {name: math.nan if value is None else value for name, value in alert.details.items()}
    return StandingAlert(kind, place, alert.place, day_of(alert.opened_at), figures)


def _apply(
    actor: Actor,
    changes: Iterable[AlertChange],
    found: FleetStates,
    standing: Standing,
    put_right: Mapping[uuid.UUID, PutRightAt],
) -> None:
    for change in changes:
        vehicle_id = found.vehicle(change.vehicle)
        if change.action == "open":
            _open(actor, vehicle_id, change)
            continue
        alert = standing[vehicle_id, change.kind, change.place]
        if change.action == "update":
            alert.details, alert.updated_at = details_of(change.values), actor.now
            alert.version += 1
            alert.save(update_fields=["details", "updated_at", "version"])
        else:
            _resolve(actor, alert, change.reason, put_right.get(vehicle_id))


def _open(actor: Actor, vehicle_id: uuid.UUID, change: AlertChange) -> None:
    alert = DriftAlert.objects.create(
        vehicle_id=vehicle_id,
        kind=change.kind,
        place=change.place,
        opened_at=actor.now,
        updated_at=actor.now,
        details=details_of(change.values),
    )
    _note(actor, alert, "alert_opened")


def _resolve(actor: Actor, alert: DriftAlert, reason: str, put_right: PutRightAt | None) -> None:
    alert.state, alert.resolution, alert.resolved_at = DriftAlert.State.RESOLVED, reason, actor.now
    if reason == DriftAlert.Resolution.PUT_RIGHT and put_right is not None:
        alert.resolved_by_job_id = put_right.job
    _save(actor, alert, "alert_resolved")


def _resolve_all(actor: Actor, vehicle_id: uuid.UUID) -> None:
    """Nothing of the vehicle is judged any more: its jobs were another's."""
    for alert in _standing(vehicle_id, vehicle_id).values():
        _resolve(actor, alert, DriftAlert.Resolution.RECORD_REVISED, None)


def _save(actor: Actor, alert: DriftAlert, kind: str) -> None:
    alert.updated_at = actor.now
    alert.version += 1
    alert.save()
    _note(actor, alert, kind)


def _note(actor: Actor, alert: DriftAlert, kind: str) -> None:
    vehicle = Vehicle.objects.get(pk=alert.vehicle_id)
    ledger.append(actor, kind, alert, vehicle=vehicle, facts={"details": alert.details})
    alert_tell(actor=actor, alert=alert)
