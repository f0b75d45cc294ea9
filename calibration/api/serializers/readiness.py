"""Readiness checks."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.utils.translation import gettext_lazy as _
from rest_framework import serializers
from rest_framework.exceptions import ErrorDetail, ValidationError

from calibration.rules.readiness import ITEMS, OUTCOMES
from fleet.api.fields import TrimmedText
from fleet.api.inputs import RecordSerializer, RequestBody

from ..fields import OneOf
from .records import RecordedInJob

ITEM_TEXTS = {
    "fault_memory": _("No stored faults in the suspension control unit."),
    "leakage": _("No leak, no sagging corner."),
    "floor": _("Level, firm floor."),
    "measuring_condition": _("Vehicle in the condition that its specification names, nobody aboard."),
    "doors": _("Doors closed."),
    "power": _("Engine running or supply voltage held."),
    "reservoir": _("Reservoir filled."),
    "ride_position": _("Suspension at its normal ride position."),
    "tyre_pressures": _("Tyre pressures set."),
    "steering_straight": _("Steering straight ahead."),
    "secured": _("Secured against rolling."),
}


class CheckOutcome(RequestBody):
    """The outcome of one check."""

    outcome = OneOf("ReadinessOutcome", OUTCOMES, help_text=_("What the check gave."))
    note = TrimmedText(
        max_length=500, allow_blank=True, required=False, default="", help_text=_("What was seen, or done about it.")
    )


class Checks(RequestBody):
    """One or more items, each with its outcome; an item that is left out keeps its last outcome."""

    def get_fields(self) -> dict[str, serializers.Field[Any, Any, Any, Any]]:
        return {item: CheckOutcome(required=False, help_text=text) for item, text in ITEM_TEXTS.items()}

    def to_internal_value(self, data: Any) -> Any:
        if isinstance(data, Mapping) and not data:
            detail = _("Must have at least one item: %(items)s.") % {"items": ", ".join(ITEMS)}
            raise ValidationError([ErrorDetail(detail, "empty")])
        return super().to_internal_value(data)


class MergedOutcomes(serializers.Serializer[Any]):
    """Per item the outcome that counts now."""

    def get_fields(self) -> dict[str, serializers.Field[Any, Any, Any, Any]]:
        return {item: OneOf("ReadinessOutcome", OUTCOMES) for item in ITEMS}


class NewReadiness(RecordSerializer):
    checks = Checks(help_text=_("The checks made, by item."))


class ReadinessRecord(RecordedInJob):
    """Checks as they were recorded; each record is kept, and per item the last outcome counts."""

    checks = Checks()
