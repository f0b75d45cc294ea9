"""Which alerts a person sees, now and as they were known at a time."""

from __future__ import annotations

import math
import uuid
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, Final

from django.db.models import Case, Exists, F, FloatField, Max, Min, OuterRef, Q, QuerySet, UUIDField, Value, When
from django.db.models.fields.json import KT
from django.db.models.functions import Cast

from calibration.metrology.drift_alerts import Finding
from calibration.models import OPEN_STATES, DriftState, Job
from calibration.rules.drift_course import day_of, time_of_day
from calibration.services.drift import CHANGED_KIND
from fleet.actor import Actor
from fleet.days import first_moment, local_day
from fleet.errors import NotFound
from fleet.models import OutboxItem, Tenure, Vehicle
from fleet.permissions import Permission, may
from fleet.selectors.vehicles import sees_whole_workshop

from ..models import DriftAlert

DECIMALS: Final = 6
PASSED: Final = "passed"
"""A trend whose day has passed."""
MOST_SERIOUS_FIRST: Final = (
    DriftAlert.Kind.OUT_OF_TOLERANCE,
    PASSED,
    DriftAlert.Kind.STEP,
    DriftAlert.Kind.UNEVEN,
    DriftAlert.Kind.TREND,
    DriftAlert.Kind.UNSTEADY,
    DriftAlert.Kind.OVERDUE,
)
"""What is wrong now or is expected to be since, then what is going wrong, then what is not known."""
OFF_MM: Final = ("difference_mm", "last_mm", "level_mm")
ALLOWED_MM: Final = ("limit_mm", "tolerance_mm")
EXPECTED: Final = "expected_outside_day"
MEASURED: Final = "measured_day"
SAME_TIME: Final = 1e-5
"""Days: an alert's figures are rounded."""
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


def passed_at(expected: date) -> datetime:
    """When the day by which a corner was expected outside its tolerance is over, where the workshop is.

    A measurement by then would have given another day: it passed without one, and nothing is forecast by it any more.
    """
    return first_moment(expected + timedelta(days=1))


def has_passed(expected: date | None, now: datetime) -> bool:
    return expected is not None and passed_at(expected) <= now


def expected_of(details: Mapping[str, Any]) -> date | None:
    """The day by which an alert's corner is expected outside, where the workshop is."""
    day = details.get(EXPECTED)
    return None if day is None else local_day(time_of_day(day))


def had_passed(kind: str, details: Mapping[str, Any], at: datetime) -> bool:
    """Of an alert that was open then."""
    return kind == DriftAlert.Kind.TREND and has_passed(expected_of(details), at)


def with_has_passed(alerts: QuerySet[DriftAlert], now: datetime) -> QuerySet[Any]:
    """Annotated with `has_passed`, by the rule of `passed_at`, and `is_outdated`, where its corner was
    measured after what the alert rests on. Both are of open trends.
    """
    today = day_of(first_moment(local_day(now)))
    measured_since = DriftState.objects.filter(
        vehicle=OuterRef("vehicle"),
        corner=OuterRef("place"),
        day__gt=OuterRef("measured") + SAME_TIME,
        day__lt=math.inf,
    )
    is_open = Q(kind=DriftAlert.Kind.TREND, state=DriftAlert.State.OPEN)
    outdated = {"is_outdated": _whether(is_open & Q(Exists(measured_since)))}
    passed = {"has_passed": _whether(is_open & Q(expected__lt=today, is_outdated=False))}
    figures = {"expected": _figure(EXPECTED), "measured": _figure(MEASURED)}
    return alerts.alias(**figures).annotate(**outdated).annotate(**passed)


def passed_untold(now: datetime, opened_by: datetime) -> QuerySet[Any]:
    """Alerts whose forecast has passed and was not told of as such, of those opened by a time.

    Not of vehicles in the bay, nor where a measurement waits to be taken in: that is about to give another forecast.
    """
    in_the_bay = Job.objects.filter(vehicle=OuterRef("vehicle"), state__in=OPEN_STATES)
    waiting = OutboxItem.objects.filter(kind=CHANGED_KIND).exclude(state=OutboxItem.State.DONE)
    passed = with_has_passed(DriftAlert.objects.all(), now).filter(has_passed=True, opened_at__lte=opened_by)
    untold = passed.filter(Q(passed_told_at=None) | Q(passed_told_of__lt=F("measured")))
    return untold.filter(~Exists(in_the_bay)).exclude(
        vehicle__in=waiting.values_list(Cast(KT("payload__vehicle"), UUIDField()))
    )


def _whether(condition: Q) -> Case:
    return Case(When(condition, then=Value(True)), default=Value(False))


def _figure(name: str) -> Cast:
    return Cast(KT(f"details__{name}"), FloatField())


def visible_alerts(actor: Actor) -> QuerySet[Any]:
    """All of the workshop's; an operator contact's are those opened while the vehicle was theirs.

    Annotated as by `with_has_passed`.
    """
    alerts = with_has_passed(DriftAlert.objects.select_related("vehicle", "resolved_by_job"), actor.now)
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
    alert: DriftAlert | None = visible_alerts(actor).filter(pk=alert_id).first()
    if alert is None:
        raise NotFound
    return alert


@dataclass(frozen=True, slots=True)
class AlertedVehicles:
    """Vehicles with what is open of each, the most serious first; `total` counts those that are not among them too."""

    alerts: Mapping[uuid.UUID, list[DriftAlert]]
    total: int


def alerted_vehicles(actor: Actor, most: int) -> AlertedVehicles:
    """Those with something that nobody has taken in hand come first, of these the most serious, then the newest."""
    is_open = visible_alerts(actor).filter(state=DriftAlert.State.OPEN)
    waiting = Case(When(acknowledged_at__isnull=True, then=Value(0)), default=Value(1))
    by_vehicle = (
        is_open.order_by()
        .values("vehicle")
        .annotate(waits=Min(waiting), worst=Min(_seriousness()), newest=Max("opened_at"))
        .order_by("waits", "worst", "-newest", "vehicle")
    )
    found: dict[uuid.UUID, list[DriftAlert]] = {row["vehicle"]: [] for row in by_vehicle[:most]}
    for alert in sorted(is_open.filter(vehicle__in=found), key=most_serious_first):
        found[alert.vehicle_id].append(alert)
    return AlertedVehicles(found, by_vehicle.count() if len(found) == most else len(found))


def most_serious_first(alert: DriftAlert) -> tuple[int, float, str]:
    """By kind; of one kind what is furthest off for what is allowed."""
    figures = alert.details
    off = next((figures[name] for name in OFF_MM if figures.get(name) is not None), 0.0)
    allowed = next((figures[name] for name in ALLOWED_MM if figures.get(name)), math.inf)
    kind = PASSED if alert.has_passed else alert.kind
    return MOST_SERIOUS_FIRST.index(kind), -abs(off) / allowed, alert.place


def _seriousness() -> Case:
    ranks = {kind: Value(place) for place, kind in enumerate(MOST_SERIOUS_FIRST)}
    passed = When(has_passed=True, then=ranks.pop(PASSED))
    return Case(passed, *(When(kind=kind, then=place) for kind, place in ranks.items()))


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
        alert.is_outdated = alert.is_outdated and (alert.kind, alert.place) not in found
        alert.has_passed = not alert.is_outdated and had_passed(alert.kind, alert.details, as_of)
        if alert.acknowledged_at is not None and alert.acknowledged_at > as_of:
            alert.acknowledged_at = alert.acknowledged_by = None
            alert.note = ""
    return alerts
