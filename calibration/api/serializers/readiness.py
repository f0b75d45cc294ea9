"""Readiness checks."""

from __future__ import annotations

from typing import Any

from django.utils.translation import gettext_lazy as _
from rest_framework import serializers
from rest_framework.exceptions import ErrorDetail, ValidationError

from calibration.rules.readiness import ITEMS, OUTCOMES
from fleet.api.fields import TrimmedText
from fleet.api.inputs import RecordSerializer

from ..fields import OneOf
from .common import RecordedInJob


class CheckOutcome(serializers.Serializer[Any]):
    """The outcome of one check."""

    outcome = OneOf("ReadinessOutcome", OUTCOMES)
    note = TrimmedText(max_length=500, allow_blank=True, required=False, default="")


class Checks(serializers.Serializer[Any]):
    """One or more items, each with its outcome; an item that is left out keeps its last outcome."""

    def get_fields(self) -> dict[str, serializers.Field[Any, Any, Any, Any]]:
        return {item: CheckOutcome(required=False) for item in ITEMS}

    def to_internal_value(self, data: Any) -> Any:
        if isinstance(data, dict):
            self._require_known_items(data)
        return super().to_internal_value(data)

    @staticmethod
    def _require_known_items(data: dict[str, Any]) -> None:
        allowed = ", ".join(ITEMS)
        if not data:
            detail = _("Must have at least one item: %(items)s.") % {"items": allowed}
            raise ValidationError([ErrorDetail(detail, "empty")])
        detail = _("There is no such check; allowed: %(items)s.") % {"items": allowed}
        unknown = {name: [ErrorDetail(detail, "unknown_item")] for name in data if name not in ITEMS}
        if unknown:
            raise ValidationError(unknown)


class MergedOutcomes(serializers.Serializer[Any]):
    """Per item the outcome that counts now."""

    def get_fields(self) -> dict[str, serializers.Field[Any, Any, Any, Any]]:
        return {item: OneOf("ReadinessOutcome", OUTCOMES) for item in ITEMS}


class NewReadiness(RecordSerializer):
    checks = Checks()


class ReadinessRecord(RecordedInJob):
    """Checks as they were recorded; each record is kept, and per item the last outcome counts."""

    checks = Checks()
