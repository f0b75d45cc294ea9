"""Alerts of drift, and how a vehicle drifts, over HTTP."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any, Final
from uuid import UUID

from django.db.models import QuerySet
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django_filters import rest_framework as filters
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework.decorators import action
from rest_framework.exceptions import ValidationError
from rest_framework.mixins import ListModelMixin, RetrieveModelMixin
from rest_framework.request import Request
from rest_framework.response import Response

from calibration.selectors.vehicle_drift import VehicleDrift, drift_as_of, drift_of
from fleet.api.base import WorkshopViewSet
from fleet.api.fields import AwareDateTime
from fleet.api.filters import TextFilter, one_of
from fleet.api.resources import ResourceMixin
from fleet.days import workshop_zone
from fleet.errors import Invalid, NotFound
from fleet.models import Tenure, Vehicle
from fleet.permissions import Permission, require
from fleet.selectors.vehicles import sees_whole_workshop, vehicle_by_vin
from fleet.vin import normalise_vin

from ..models import DriftAlert
from ..selectors.alerts import alert_for, alerts_as_of, open_alerts_of, visible_alerts
from ..selectors.due import day_due
from ..services.alerts import alert_acknowledge
from .drift_serializers import AlertSerializer, NewAcknowledgement, VehicleDriftSerializer

LAST_INSTANT: Final = timedelta(days=1) - timedelta(microseconds=1)


class AlertFilter(filters.FilterSet):
    state = one_of("state", DriftAlert.State.values, gettext_lazy("state"))
    kind = one_of("kind", DriftAlert.Kind.values, gettext_lazy("kind"))
    vehicle = TextFilter(method="of_vehicle", label=gettext_lazy("VIN"), max_length=40)

    class Meta:
        model = DriftAlert
        fields = ("state", "kind", "vehicle")

    def of_vehicle(self, alerts: QuerySet[DriftAlert], name: str, vin: str) -> QuerySet[DriftAlert]:
        return alerts.filter(vehicle__vin=normalise_vin(vin))


class AlertViewSet(ResourceMixin, ListModelMixin, RetrieveModelMixin, WorkshopViewSet):
    """What is the matter with vehicles' heights between services. One open alert per vehicle, place and kind."""

    queryset = DriftAlert.objects.all()
    serializer_class = AlertSerializer
    filterset_class = AlertFilter
    lookup_value_regex = "[0-9a-fA-F]{8}(?:-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}"
    ordering = "-opened_at"
    read_permission = Permission.READ_OWN_VEHICLES
    summaries = {
        "list": gettext_lazy("Alerts of drift, newest first."),
        "retrieve": gettext_lazy("One alert."),
        "acknowledgement": gettext_lazy("Say that an alert was seen and what is to be done; it stays open."),
    }

    def get_queryset(self) -> QuerySet[DriftAlert]:
        if getattr(self, "swagger_fake_view", False):
            return self.queryset.none()
        return visible_alerts(self.actor)

    @extend_schema(request=NewAcknowledgement, responses={200: AlertSerializer})
    @action(detail=True, methods=["post"])
    def acknowledgement(self, request: Request, pk: str) -> Response:
        """Say that an alert was seen and what is to be done; it stays open until the matter is put right."""
        alert = alert_for(self.actor, UUID(pk))
        require(self.actor, Permission.RECORD_FACTS)
        data = self.validated(NewAcknowledgement)
        self.once(
            "reports.alert_acknowledgement",
            data,
            lambda record_id: alert_acknowledge(
                actor=self.actor, record_id=record_id, alert_id=alert.pk, note=data["note"]
            ),
            lambda _record_id: alert,
            alert=alert.pk,
        )
        return Response(AlertSerializer(alert_for(self.actor, alert.pk)).data)


class VehicleDriftView(ResourceMixin, WorkshopViewSet):
    """`/vehicles/{vin}/drift/`"""

    queryset = Vehicle.objects.none()
    serializer_class = VehicleDriftSerializer
    filter_backends = ()
    pagination_class = None
    read_permission = Permission.READ_OWN_VEHICLES
    parameters = {"retrieve": ("as_of",)}
    summaries = {"retrieve": gettext_lazy("How a vehicle's heights drift between services, now or as known at a time.")}

    @extend_schema(
        parameters=[
            OpenApiParameter(
                "as_of",
                {"type": "string", "maxLength": 40},
                description="A time with its offset, or a date for its end in UTC: what was received by then counts.",
            )
        ]
    )
    def retrieve(self, request: Request, vin: str) -> Response:
        vehicle = vehicle_by_vin(self.actor, vin)
        as_of = self._until(vehicle, _time_asked(request.query_params.get("as_of")))
        if as_of is None:
            drift, alerts = drift_of(vehicle), open_alerts_of(self.actor, vehicle)
        else:
            drift = drift_as_of(vehicle, as_of)
            alerts = alerts_as_of(self.actor, vehicle, as_of, drift.findings(as_of))
        return Response(VehicleDriftSerializer(_document(vehicle, as_of, drift, alerts)).data)

    def _until(self, vehicle: Vehicle, as_of: datetime | None) -> datetime | None:
        """An operator's contact sees what was known while the vehicle was theirs."""
        if sees_whole_workshop(self.actor):
            return as_of
        tenures = Tenure.objects.filter(vehicle=vehicle, operator=self.actor.operator_id)
        for tenure in tenures.order_by("-began_at"):
            if as_of is not None and as_of < tenure.began_at:
                continue
            if tenure.ended_at is None:
                return as_of
            return min(as_of or tenure.ended_at, tenure.ended_at)
        raise NotFound


def _time_asked(text: str | None) -> datetime | None:
    if not text:
        return None
    try:
        day = date.fromisoformat(text) if len(text) == len("2026-05-04") else None
    except ValueError:
        day = None
    if day is not None:
        return datetime(day.year, day.month, day.day, tzinfo=UTC) + LAST_INSTANT
    try:
        return AwareDateTime().to_internal_value(text.replace(" ", "+"))
    except ValidationError:
        detail = _("Must be a date like 2026-05-04, or a time with its offset like 2026-05-04T09:30:00+02:00.")
        raise Invalid.at("/as_of", "not_a_time", detail) from None


def _due_on(drift: VehicleDrift) -> date | None:
    by_distance = drift.due.at_km is not None
    return day_due(drift.due_at, workshop_zone(), by_distance=by_distance) if drift.due_at else None


def _document(
    vehicle: Vehicle, as_of: datetime | None, drift: VehicleDrift, alerts: list[DriftAlert]
) -> dict[str, Any]:
    return {
        "vehicle": vehicle.vin,
        "as_of": as_of,
        "due_on": _due_on(drift),
        "due_at_km": drift.due.at_km,
        "corners": {each.corner: each for each in drift.corners},
        "sides": {each.axle: each for each in drift.sides},
        "alerts": alerts,
    }
