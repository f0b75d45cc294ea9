"""Vehicles by VIN, their corrections, tyres and events."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from functools import cached_property
from typing import Any, ClassVar
from uuid import UUID

import django_filters
from django.db.models import Exists, OuterRef, Q, QuerySet, Value
from django.db.models.functions import Replace
from django.utils.translation import gettext_lazy as _
from drf_spectacular.utils import OpenApiExample
from rest_framework import serializers

from fleet import services
from fleet.actor import Actor
from fleet.models import Fitment, ServiceEvent, Vehicle, VinCorrection
from fleet.permissions import Permission
from fleet.selectors.vehicles import (
    is_now_visible,
    sees_whole_workshop,
    vehicle_by_vin,
    visible_vehicles,
    within_tenures,
)
from fleet.specifications import CORNERS
from fleet.tyres import HIGHEST_LOAD_INDEX
from fleet.vin import normalise_vin

from .choices import Choice
from .examples import TYRE
from .fields import (
    AwareDateTime,
    CornerMap,
    PlainDate,
    StrictDecimal,
    StrictInteger,
    TrimmedText,
    TyreSizeField,
    VinField,
)
from .filters import TextFilter
from .inputs import FindingSerializer, RecordSerializer, Reference, RequestBody, VersionNumber
from .resources import ChangeableViewSet, ResourceViewSet


class VehicleChanges(RequestBody):
    """What may change about a vehicle; operator and model by a manager."""

    registration = TrimmedText(
        max_length=20, allow_blank=True, required=False, help_text=_("Registration mark, as on the plate.")
    )
    vehicle_model = Reference(help_text=_("Id of the vehicle model."))
    model_year = StrictInteger(
        min_value=1900, max_value=2100, required=False, allow_null=True, help_text=_("Model year; null: not known.")
    )
    operator = Reference(help_text=_("Id of the operator who runs it."))


class VehicleInput(RecordSerializer, VehicleChanges):
    """A new vehicle."""

    vin = VinField(help_text=_("Vehicle identification number (ISO 3779), 17 characters."))


class VehicleSerializer(serializers.Serializer[Vehicle]):
    """A vehicle. An operator contact sees who runs it now only while it is theirs."""

    id = serializers.UUIDField()
    vin = serializers.CharField()
    registration = serializers.CharField(allow_null=True)
    vehicle_model = serializers.UUIDField(source="vehicle_model_id")
    make = serializers.CharField(source="vehicle_model.make")
    model = serializers.CharField(source="vehicle_model.name")
    model_year = serializers.IntegerField(allow_null=True, help_text=_("Null: not known."))
    operator = serializers.UUIDField(source="operator_id", allow_null=True)
    findings = FindingSerializer(many=True, source="notes")
    created_at = AwareDateTime()
    version = VersionNumber()

    def to_representation(self, instance: Vehicle) -> dict[str, Any]:
        shown: dict[str, Any] = super().to_representation(instance)
        if not is_now_visible(self.context["view"].actor, instance):
            shown |= {"registration": None, "operator": None}
        return shown


class VinCorrectionInput(RecordSerializer):
    """The right VIN, and how the wrong one came about."""

    vin = VinField(help_text=_("The right VIN, 17 characters."))
    reason = TrimmedText(max_length=500, help_text=_("How the wrong one came about."))


class VinCorrectionSerializer(serializers.Serializer[VinCorrection]):
    """A correction; the vehicle answers to both VINs."""

    id = serializers.UUIDField()
    vehicle = serializers.UUIDField(source="vehicle_id")
    previous_vin = serializers.CharField()
    vin = serializers.CharField()
    reason = serializers.CharField()
    recorded_at = AwareDateTime()


class TyreInput(RequestBody):
    """One tyre as fitted."""

    size = TyreSizeField(help_text=_("Size designation, as on the sidewall."))
    load_index = StrictInteger(
        min_value=0, max_value=HIGHEST_LOAD_INDEX, help_text=_("Load index, as on the sidewall.")
    )
    speed_symbol = TrimmedText(max_length=2, help_text=_("Speed symbol, as on the sidewall."))
    tread_mm = StrictDecimal(
        places=1, minimum=0, maximum=50, required=False, allow_null=True, help_text=_("Least tread depth, mm.")
    )
    pressure_kpa = StrictDecimal(
        places=0,
        minimum=50,
        maximum=2000,
        required=False,
        allow_null=True,
        help_text=_("Inflation pressure, kPa (100 kPa are 1 bar)."),
    )


class TyreSerializer(TyreInput):
    """One tyre with what follows from its size and load index."""

    overall_diameter_mm = StrictDecimal(help_text=_("Design diameter, unloaded, mm."))
    rolling_circumference_mm = StrictDecimal(help_text=_("Distance of one turn, mm."))
    revolutions_per_km = StrictDecimal(help_text=_("Turns of the wheel in one km."))
    load_capacity_kg = StrictDecimal(
        allow_null=True, help_text=_("What the tyre may carry, kg; null: its load index is in no table known here.")
    )


class FitmentInput(RecordSerializer):
    """The tyres on a vehicle from a day on."""

    fitted_on = PlainDate(help_text=_("Day of fitting."))
    odometer_km = StrictDecimal(
        places=1,
        minimum=0,
        maximum=9_999_999,
        required=False,
        allow_null=True,
        help_text=_("Odometer at fitting, km."),
    )
    tyres = CornerMap(TyreInput(), help_text=_("The tyre at each corner."))


class FitmentSerializer(serializers.Serializer[Fitment]):
    """A fitment with its findings."""

    id = serializers.UUIDField()
    fitted_on = serializers.DateField()
    odometer_km = StrictDecimal(allow_null=True)
    tyres = CornerMap(TyreSerializer())
    specification = serializers.UUIDField(source="specification_id", allow_null=True)
    findings = FindingSerializer(many=True)
    recorded_at = AwareDateTime()


class EventInput(RecordSerializer):
    """Something done to the vehicle that bears on its height."""

    kind = Choice(ServiceEvent.Kind.choices, help_text=_("What was done or happened."))
    corner = Choice(
        CORNERS, required=False, help_text=_("Where; left out for control unit, alignment, collision and other.")
    )
    happened_at = AwareDateTime(help_text=_("When, by the device's clock, with offset; kept with its clock put right."))
    note = TrimmedText(
        max_length=1000, allow_blank=True, lines=True, required=False, help_text=_("Parts, part numbers, remarks.")
    )


class EventSerializer(serializers.Serializer[ServiceEvent]):
    """An event."""

    id = serializers.UUIDField()
    kind = serializers.ChoiceField(ServiceEvent.Kind.choices)
    corner = serializers.ChoiceField(CORNERS, allow_null=True)
    happened_at = AwareDateTime()
    note = serializers.CharField()
    findings = FindingSerializer(many=True)
    recorded_at = AwareDateTime()

    def to_representation(self, instance: ServiceEvent) -> dict[str, Any]:
        shown: dict[str, Any] = super().to_representation(instance)
        return {**shown, "corner": instance.corner or None}


class VehicleFilter(django_filters.FilterSet):
    """`?q=` finds parts of the VIN, of a corrected VIN and of the registration, however it is spaced."""

    q = TextFilter(method="search", max_length=40, label=str(_("Part of VIN or registration.")))
    operator = django_filters.UUIDFilter(field_name="operator_id", method="of_operator")
    vehicle_model = django_filters.UUIDFilter(field_name="vehicle_model_id")
    registration = TextFilter(method="registered", max_length=20)

    class Meta:
        model = Vehicle
        fields = ("q", "operator", "vehicle_model", "registration")

    def search(self, vehicles: QuerySet[Vehicle], _name: str, text: str) -> QuerySet[Vehicle]:
        vin = normalise_vin(text)
        corrected = VinCorrection.objects.filter(vehicle=OuterRef("pk"), previous_vin__contains=vin)
        closed_up = Replace("registration", Value(" "), Value(""))
        by_registration = Q(closed_up__icontains=text.replace(" ", "")) & self._shown_now()
        return vehicles.alias(closed_up=closed_up).filter(Q(vin__contains=vin) | Exists(corrected) | by_registration)

    def registered(self, vehicles: QuerySet[Vehicle], _name: str, text: str) -> QuerySet[Vehicle]:
        return vehicles.filter(self._shown_now(), registration=text)

    def of_operator(self, vehicles: QuerySet[Vehicle], _name: str, operator_id: UUID) -> QuerySet[Vehicle]:
        return vehicles.filter(self._shown_now(), operator_id=operator_id)

    def _shown_now(self) -> Q:
        """A contact must not find out by searching what is hidden from them."""
        assert self.request is not None
        actor: Actor = self.request.user  # type: ignore[assignment]
        return Q() if sees_whole_workshop(actor) else Q(operator_id=actor.operator_id)


class VehicleReadMixin:
    """Read by the workshop, and by operator contacts as far as it is theirs."""

    read_permission: ClassVar[Permission | None] = Permission.READ_OWN_VEHICLES


class VehicleViewSet(VehicleReadMixin, ChangeableViewSet):
    """`/vehicles/`"""

    queryset = Vehicle.objects.all()
    serializer_class = VehicleSerializer
    create_serializer_class = VehicleInput
    update_serializer_class = VehicleChanges
    create_permission = Permission.ADD_VEHICLES
    update_permission = Permission.ADD_VEHICLES
    filterset_class = VehicleFilter
    ordering = "-created_at"
    ordering_fields = ("vin", "registration")
    summaries = {
        "list": _("The vehicles. An operator contact sees their own."),
        "retrieve": _("One vehicle by its VIN; a corrected VIN leads to it as well."),
        "create": _("Add a vehicle."),
        "partial_update": _("Change registration or model year; as a manager also operator or model."),
    }
    examples = {
        "create": [
            OpenApiExample(
                "a vehicle",
                {
                    "vin": "0LBWAGNX5RA000017",
                    "registration": "LB 17",
                    "vehicle_model": "01933b7a-0c4e-7d5f-8a7e-2b1d0c9f8e7d",
                    "model_year": 2024,
                    "operator": "01933b7a-1f2e-7c3d-9b8a-4e5f6a7b8c9d",
                },
                request_only=True,
            )
        ]
    }

    def selector(self, actor: Actor) -> QuerySet[Vehicle]:
        return visible_vehicles(actor)

    def get_object(self) -> Vehicle:
        return vehicle_by_vin(self.actor, self.kwargs["vin"])

    def make(self, actor: Actor, record_id: UUID, data: Mapping[str, Any]) -> Vehicle:
        return services.vehicle_add(actor=actor, record_id=record_id, **data)

    def change(self, actor: Actor, record_id: UUID, expected: Collection[int], changes: Mapping[str, Any]) -> object:
        return services.vehicle_update(actor=actor, vehicle_id=record_id, expected_versions=expected, changes=changes)


class VehiclePartViewSet(VehicleReadMixin, ResourceViewSet):
    """What belongs to one vehicle."""

    create_permission = Permission.RECORD_FACTS

    @cached_property
    def vehicle(self) -> Vehicle:
        return vehicle_by_vin(self.actor, self.kwargs["vin"])


class VinCorrectionViewSet(VehiclePartViewSet):
    """`/vehicles/{vin}/vin-correction/`"""

    queryset = VinCorrection.objects.all()
    serializer_class = VinCorrectionSerializer
    create_serializer_class = VinCorrectionInput
    create_permission = Permission.RULE
    ordering = "recorded_at"
    summaries = {
        "list": _("The corrections of a vehicle's VIN."),
        "create": _("Correct a mistyped VIN; the vehicle answers to both."),
    }

    read_permission = Permission.READ_WORKSHOP

    def selector(self, actor: Actor) -> QuerySet[VinCorrection]:
        return self.vehicle.corrections.all()

    def make(self, actor: Actor, record_id: UUID, data: Mapping[str, Any]) -> VinCorrection:
        return services.vin_correct(actor=actor, record_id=record_id, vehicle_id=self.vehicle.pk, **data)


class FitmentViewSet(VehiclePartViewSet):
    """`/vehicles/{vin}/fitments/`"""

    queryset = Fitment.objects.all()
    serializer_class = FitmentSerializer
    create_serializer_class = FitmentInput
    ordering = "-fitted_on"
    summaries = {
        "list": _("The tyres that a vehicle had, latest first."),
        "retrieve": _("One fitment of a vehicle."),
        "create": _("Record the tyres fitted; adds dimensions, load capacity and findings."),
    }
    examples = {
        "create": [
            OpenApiExample(
                "new tyres",
                {"fitted_on": "2026-05-04", "odometer_km": 41250, "tyres": dict.fromkeys(CORNERS, TYRE)},
                request_only=True,
            )
        ]
    }

    def selector(self, actor: Actor) -> QuerySet[Fitment]:
        return within_tenures(self.vehicle.fitments.all(), actor, self.vehicle, "recorded_at")

    def make(self, actor: Actor, record_id: UUID, data: Mapping[str, Any]) -> Fitment:
        return services.fitment_record(actor=actor, record_id=record_id, vehicle=self.vehicle, **data)


class EventViewSet(VehiclePartViewSet):
    """`/vehicles/{vin}/events/`"""

    queryset = ServiceEvent.objects.all()
    serializer_class = EventSerializer
    create_serializer_class = EventInput
    ordering = "-happened_at"
    summaries = {
        "list": _("What was replaced, repaired or happened, latest first."),
        "retrieve": _("One event of a vehicle."),
        "create": _("Record that something was replaced, repaired or happened."),
    }
    examples = {
        "create": [
            OpenApiExample(
                "a new sensor",
                {"kind": "sensor_replaced", "corner": "RL", "happened_at": "2026-05-04T09:30:00+02:00"},
                request_only=True,
            )
        ]
    }

    def selector(self, actor: Actor) -> QuerySet[ServiceEvent]:
        return within_tenures(self.vehicle.events.all(), actor, self.vehicle, "recorded_at")

    def make(self, actor: Actor, record_id: UUID, data: Mapping[str, Any]) -> ServiceEvent:
        return services.event_record(actor=actor, record_id=record_id, vehicle=self.vehicle, **data)
