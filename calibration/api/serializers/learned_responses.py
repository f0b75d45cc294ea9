"""What a model's vehicles have taught of its responses."""

from __future__ import annotations

from typing import Any

from django.utils.translation import gettext_lazy as _
from rest_framework import serializers

from fleet.api.fields import AwareDateTime


class SpecifiedResponse(serializers.Serializer[Any]):
    response_mm_per_count = serializers.FloatField(source="specified_mean", help_text=_("mm of height per count."))
    response_sd = serializers.FloatField(source="specified_sd", help_text=_("Between vehicles, mm per count."))


class ModelResponse(serializers.Serializer[Any]):
    """Shrunk to the specification: without vehicles it is the specification's."""

    response_mm_per_count = serializers.FloatField(source="mean", help_text=_("Mean of the model, mm per count."))
    standard_uncertainty_mm_per_count = serializers.FloatField(
        source="mean_uncertainty", help_text=_("Of that mean, mm per count.")
    )
    between_vehicles_sd = serializers.FloatField(
        source="between_sd", help_text=_("Standard deviation from vehicle to vehicle, mm per count.")
    )
    vehicles = serializers.IntegerField(help_text=_("How many vehicles taught this axle."))


class VehicleResponse(serializers.Serializer[Any]):
    """What one vehicle showed by itself, without what was assumed of it beforehand."""

    vin = serializers.CharField(source="vehicle.vin")
    registration = serializers.CharField(source="vehicle.registration", allow_blank=True)
    response_mm_per_count = serializers.FloatField(source="estimate", help_text=_("Of this axle, mm per count."))
    low_mm_per_count = serializers.FloatField(source="low", help_text=_("Lower end of its 95 % interval."))
    high_mm_per_count = serializers.FloatField(source="high", help_text=_("Upper end of its 95 % interval."))
    jobs = serializers.IntegerField(help_text=_("Closed jobs that it was learned from."))
    known_at = AwareDateTime(help_text=_("When it was last brought up to date."))


class AxleResponse(serializers.Serializer[Any]):
    """An axle whose height the control unit sets."""

    specification = SpecifiedResponse(source="*")
    learned = ModelResponse(source="*")
    vehicles = VehicleResponse(source="estimates", many=True, help_text=_("Most recent first, at most 200."))
    vehicles_left_out = serializers.IntegerField(
        source="left_out", help_text=_("Further vehicles that count and are not listed.")
    )


class AxleResponses(serializers.Serializer[Any]):
    """By axle; null where the control unit sets no height, or no specification is in force."""

    front = AxleResponse(allow_null=True)
    rear = AxleResponse(allow_null=True)


class LearnedResponseRecord(serializers.Serializer[Any]):
    """What the model's next vehicle is expected to answer to a count, and where that comes from."""

    vehicle_model = serializers.UUIDField()
    specification = serializers.UUIDField(allow_null=True, help_text=_("The revision in force; null without one."))
    revision = serializers.IntegerField(allow_null=True, help_text=_("Its number."))
    axles = AxleResponses()
