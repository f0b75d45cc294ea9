"""A vehicle's tyres compared with the reference tyre."""

from __future__ import annotations

from typing import Any

from django.utils.translation import gettext_lazy as _
from rest_framework import serializers

from fleet.api.fields import AwareDateTime

from ..fields import OneOf, corner

TYRE_NOTE_CODES = (
    "speed_reads_low",
    "speed_reads_high",
    "tyres_differ_on_axle",
    "tyres_differ_between_axles",
    "arch_touched",
)
FINDING_CODES = ("tyre_not_listed", "load_capacity_low")


class TyreDifferenceRecord(serializers.Serializer[Any]):
    """The fitted tyre less the reference tyre."""

    diameter_mm = serializers.FloatField()
    radius_mm = serializers.FloatField(help_text=_("Ground clearance and centre of gravity change by as much."))
    circumference_mm = serializers.FloatField()
    circumference_pct = serializers.FloatField(help_text=_("Of the reference tyre's rolling circumference."))
    revolutions_per_km = serializers.FloatField(help_text=_("Negative for a larger tyre."))


class ComparedTyreRecord(serializers.Serializer[Any]):
    size = serializers.CharField()
    overall_diameter_mm = serializers.FloatField()
    free_radius_mm = serializers.FloatField(help_text=_("Half the diameter: of the tyre without load."))
    rolling_circumference_mm = serializers.FloatField(help_text=_("Distance of one turn at 60 km/h."))
    revolutions_per_km = serializers.FloatField(help_text=_("Turns in one kilometre."))
    load_capacity_kg = serializers.FloatField(allow_null=True)
    difference = TyreDifferenceRecord(allow_null=True, help_text=_("Null without a reference tyre."))
    arch_clearance_mm = serializers.FloatField(
        allow_null=True,
        help_text=_("From the top of the tyre to the arch at the height last measured, wheels straight; null without."),
    )


class ComparedTyreMap(serializers.Serializer[Any]):
    FL = ComparedTyreRecord()
    FR = ComparedTyreRecord()
    RL = ComparedTyreRecord()
    RR = ComparedTyreRecord()


class AxleLoadRecord(serializers.Serializer[Any]):
    capacity_kg = serializers.FloatField(help_text=_("Twice what the weaker tyre may carry."))
    load_kg = serializers.FloatField(help_text=_("The specification's axle load."))
    utilisation_pct = serializers.FloatField(help_text=_("Load in % of capacity."))
    sufficient = serializers.BooleanField()


class AxleLoadMap(serializers.Serializer[Any]):
    front = AxleLoadRecord(allow_null=True)
    rear = AxleLoadRecord(allow_null=True)


class MismatchRecord(serializers.Serializer[Any]):
    """Differences of rolling circumference in % of the mean of what is compared."""

    front_pct = serializers.FloatField(help_text=_("Left minus right."))
    rear_pct = serializers.FloatField(help_text=_("Left minus right."))
    front_rear_pct = serializers.FloatField(help_text=_("Front mean minus rear mean."))


class SpeedReadingRecord(serializers.Serializer[Any]):
    """Of a speedometer that shows the truth on reference tyres."""

    true_km_h = serializers.FloatField(help_text=_("True speed, km/h."))
    shown_km_h = serializers.FloatField(help_text=_("What is shown then, km/h."))
    lowest_km_h = serializers.FloatField(help_text=_("The least that UN R39 permits, km/h."))
    highest_km_h = serializers.FloatField(help_text=_("The most that UN R39 permits, km/h."))
    permitted = serializers.BooleanField()


class TyreNoteRecord(serializers.Serializer[Any]):
    code = OneOf("TyreNoteCode", TYRE_NOTE_CODES)
    corner = corner(allow_null=True)
    axle = OneOf("TyreNoteAxle", ("front", "rear"), allow_null=True)
    detail = serializers.CharField(help_text=_("What it means and what to do."))


class TyreFindingRecord(serializers.Serializer[Any]):
    code = OneOf("TyreFindingCode", FINDING_CODES)
    corner = corner()
    severity = serializers.CharField()
    detail = serializers.CharField()


class TyreComparisonRecord(serializers.Serializer[Any]):
    """What is fitted now, compared with the specification in force."""

    fitment = serializers.UUIDField()
    specification = serializers.UUIDField(allow_null=True)
    reference_tyre = serializers.CharField(allow_null=True, help_text=_("The size that the rest is compared with."))
    heights_measured_at = AwareDateTime(allow_null=True, help_text=_("When the heights used here were measured."))
    corners = ComparedTyreMap()
    axle_loads = AxleLoadMap(help_text=_("Null where a load or a capacity is not known."))
    mismatch = MismatchRecord()
    speed = SpeedReadingRecord(many=True, help_text=_("At the test speeds of UN R39; empty without a reference tyre."))
    overreading_needed_pct = serializers.FloatField(
        allow_null=True,
        help_text=_("How much too much the speedometer must show on reference tyres so as not to show too little now."),
    )
    notes = TyreNoteRecord(many=True, help_text=_("What the comparison shows; notes block nothing."))
    findings = TyreFindingRecord(many=True, help_text=_("What a job on the vehicle would find of these tyres."))
