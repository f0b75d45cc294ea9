"""The specification revision that a job is judged by: these classes describe it and read nothing."""

from __future__ import annotations

from typing import Any

from django.utils.translation import gettext_lazy as _
from rest_framework import serializers

from calibration.rules.readiness import ITEMS
from fleet.api.fields import PlainDate
from fleet.models import Specification

from ..fields import OneOf
from .common import corner


class AxleInForce(serializers.Serializer[Any]):
    """One axle; null where it is not controlled."""

    target_mm = serializers.FloatField()
    tolerance_mm = serializers.FloatField()
    setpoint_low = serializers.IntegerField(allow_null=True)
    setpoint_high = serializers.IntegerField(allow_null=True)
    response_mm_per_count = serializers.FloatField(allow_null=True)
    response_sd = serializers.FloatField(allow_null=True)
    axle_load_kg = serializers.FloatField(allow_null=True)


class SpecificationInForce(serializers.Serializer[Any]):
    """The revision in force when the job opened, complete."""

    id = serializers.UUIDField()
    revision = serializers.IntegerField(min_value=1)
    effective_from = PlainDate()
    source_kind = OneOf(Specification.SourceKind.values)
    source = serializers.CharField()
    measuring_condition = serializers.CharField()
    wheelbase_mm = serializers.FloatField()
    track_front_mm = serializers.FloatField()
    track_rear_mm = serializers.FloatField()
    setpoint_min = serializers.IntegerField()
    setpoint_max = serializers.IntegerField()
    setpoint_kind = OneOf(("absolute", "offset"))
    front = AxleInForce()
    rear = AxleInForce()
    side_difference_max_mm = serializers.FloatField()
    step_max_counts = serializers.IntegerField()
    shift_review_counts = serializers.IntegerField()
    shift_limit_counts = serializers.IntegerField()
    settling_mm = serializers.FloatField()
    controlled_corners = serializers.ListField(child=corner())
    linked_corners = serializers.ListField(
        child=serializers.ListField(child=corner(), min_length=2, max_length=2),
        help_text=_("Pairs that share one set-point."),
    )
    warp_max_mm = serializers.FloatField()
    warp_change_max_mm = serializers.FloatField()
    readiness_not_applicable = serializers.ListField(child=OneOf(ITEMS))
    leak_limit_mm_per_h = serializers.FloatField(allow_null=True)
    air_column_mm = serializers.FloatField(allow_null=True)
    check_interval_months = serializers.IntegerField(allow_null=True)
    check_interval_km = serializers.IntegerField(allow_null=True)
    reference_tyre = serializers.CharField(allow_null=True)
    allowed_tyres = serializers.ListField(child=serializers.CharField())
    headlamp_height_mm = serializers.FloatField(allow_null=True)
    headlamp_inclination_pct = serializers.FloatField(allow_null=True)
    cg_height_mm = serializers.FloatField(allow_null=True)
    front_overhang_mm = serializers.FloatField(allow_null=True)
    rear_overhang_mm = serializers.FloatField(allow_null=True)
    ground_clearance_mm = serializers.FloatField(allow_null=True)


def specification_document(row: Specification) -> dict[str, Any]:
    """A revision as the interface gives it: its content with what identifies it."""
    return {
        **row.content,
        "id": str(row.pk),
        "revision": row.revision,
        "effective_from": row.effective_from.isoformat(),
        "source_kind": row.source_kind,
        "source": row.source,
    }
