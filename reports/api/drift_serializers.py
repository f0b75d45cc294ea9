"""What the interface shows of drift and of its alerts."""

from __future__ import annotations

from typing import Any, Final

from django.utils.translation import gettext_lazy as _
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from calibration.metrology.corners import CORNERS
from fleet.api.fields import TrimmedText
from fleet.api.inputs import RecordSerializer

from ..alert_words import alert_in_words, date_of
from ..models import DriftAlert

DAYS: Final = {
    "measured_day": "measured_on",
    "step_day": "step_on",
    "by_day": "by",
    "due_day": "due_on",
    "expected_outside_day": "expected_outside_on",
    "earliest_outside_day": "earliest_outside_on",
    "latest_outside_day": "latest_outside_on",
}
"""Days of the filter, and the dates that the interface shows for them."""


class AlertAcknowledgementSerializer(serializers.Serializer[Any]):
    at = serializers.DateTimeField(source="acknowledged_at")
    by = serializers.UUIDField(source="acknowledged_by", help_text=_("Membership."))
    note = serializers.CharField()


class AlertSerializer(serializers.ModelSerializer[DriftAlert]):
    """Something that is the matter with a vehicle's heights."""

    vehicle = serializers.CharField(source="vehicle.vin", read_only=True)
    corner = serializers.SerializerMethodField(help_text=_("Null where it is about an axle or the vehicle."))
    axle = serializers.SerializerMethodField(help_text=_("Of `uneven`; else null."))
    detail = serializers.SerializerMethodField(help_text=_("What is the matter, in a sentence."))
    figures = serializers.SerializerMethodField(
        help_text=_("What it rests on now; mm, mm a year, dates, probabilities, as their names say.")
    )
    resolution = serializers.SerializerMethodField(help_text=_("Why it is resolved; null while it is open."))
    resolved_by_job = serializers.UUIDField(
        source="resolved_by_job_id", read_only=True, allow_null=True, help_text=_("The job that put it right.")
    )
    acknowledgement = serializers.SerializerMethodField(help_text=_("Null until somebody has said what is to be done."))

    class Meta:
        model = DriftAlert
        fields = (
            "id",
            "vehicle",
            "kind",
            "corner",
            "axle",
            "state",
            "detail",
            "figures",
            "opened_at",
            "updated_at",
            "resolved_at",
            "resolution",
            "resolved_by_job",
            "acknowledgement",
        )
        read_only_fields = fields

    @extend_schema_field({"type": ["string", "null"], "enum": [*CORNERS, None]})
    def get_corner(self, alert: DriftAlert) -> str | None:
        return alert.place if alert.place in CORNERS else None

    @extend_schema_field({"type": ["string", "null"], "enum": ["front", "rear", None]})
    def get_axle(self, alert: DriftAlert) -> str | None:
        return alert.place if alert.place in {"front", "rear"} else None

    @extend_schema_field({"type": ["string", "null"], "enum": [*DriftAlert.Resolution.values, None]})
    def get_resolution(self, alert: DriftAlert) -> str | None:
        return alert.resolution or None

    def get_detail(self, alert: DriftAlert) -> str:
        return alert_in_words(alert)

    @extend_schema_field({"type": "object", "additionalProperties": {"type": ["number", "string", "null"]}})
    def get_figures(self, alert: DriftAlert) -> dict[str, Any]:
        details = alert.details
        return {DAYS.get(name, name): date_of(details, name) if name in DAYS else details[name] for name in details}

    @extend_schema_field(AlertAcknowledgementSerializer(allow_null=True))
    def get_acknowledgement(self, alert: DriftAlert) -> dict[str, Any] | None:
        return AlertAcknowledgementSerializer(alert).data if alert.acknowledged_at else None


class NewAcknowledgement(RecordSerializer):
    """That the alert was seen. It stays open until the matter is put right."""

    note = TrimmedText(max_length=1000, help_text=_("What is to be done, and by when."))


class IntervalSerializer(serializers.Serializer[Any]):
    since = serializers.DateField(source="earliest_outside_on", allow_null=True, help_text=_("A tenth lies before it."))
    until = serializers.DateField(
        source="latest_outside_on", allow_null=True, help_text=_("A tenth lies after it; null beyond twenty years.")
    )


class CornerDriftSerializer(serializers.Serializer[Any]):
    """One corner as it stood when it was last measured; nulls where it never was."""

    target_mm = serializers.FloatField(help_text=_("In force: a concession's until the next job opens."))
    tolerance_mm = serializers.FloatField()
    measurements = serializers.IntegerField(help_text=_("How many since the series began."))
    measured_at = serializers.DateTimeField(allow_null=True)
    level_mm = serializers.FloatField(
        allow_null=True, help_text=_("Deviation from target then, all measurements told.")
    )
    expanded_uncertainty_mm = serializers.FloatField(allow_null=True, help_text=_("Of the level, 95 %."))
    rate_mm_per_year = serializers.FloatField(allow_null=True, help_text=_("Positive for rising."))
    rate_expanded_uncertainty_mm_per_year = serializers.FloatField(allow_null=True, help_text=_("95 %."))
    probability_outside_by_due = serializers.FloatField(
        allow_null=True, help_text=_("That it leaves its tolerance by `due_on`; null where no interval is specified.")
    )
    is_outside = serializers.BooleanField(help_text=_("Outside its tolerance, as the alert `out_of_tolerance` judges."))
    expected_outside_on = serializers.DateField(
        allow_null=True,
        help_text=_(
            "The day by which it is as likely outside as not; null beyond twenty years, and where it `is_outside`. One "
            "that has passed did so without a measurement: measure the vehicle now."
        ),
    )
    interval = IntervalSerializer(source="*", help_text=_("Holds the day of leaving with 80 %."))
    step_mm = serializers.FloatField(allow_null=True, help_text=_("Of the last step that no job has put right."))
    step_at = serializers.DateTimeField(allow_null=True)


class SideDriftSerializer(serializers.Serializer[Any]):
    difference_mm = serializers.FloatField(help_text=_("Left minus right."))
    expanded_uncertainty_mm = serializers.FloatField()
    limit_mm = serializers.FloatField()


class VehicleDriftSerializer(serializers.Serializer[Any]):
    """How a vehicle's heights drift between services."""

    vehicle = serializers.CharField(help_text=_("VIN."))
    as_of = serializers.DateTimeField(allow_null=True, help_text=_("Null: from everything that is on record."))
    due_on = serializers.DateField(allow_null=True, help_text=_("When the next check is due."))
    due_at_km = serializers.FloatField(
        allow_null=True,
        help_text=_(
            "The odometer by which it is due, where that comes first; `due_on` is then estimated from the last two "
            "odometer readings."
        ),
    )
    corners = serializers.DictField(child=CornerDriftSerializer(), help_text=_("By corner; empty before any job."))
    sides = serializers.DictField(child=SideDriftSerializer(), help_text=_("By axle."))
    alerts = AlertSerializer(many=True, help_text=_("Those that are, or then were, open."))
