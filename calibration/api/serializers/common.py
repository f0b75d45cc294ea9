"""What the bodies and answers of several resources share."""

from __future__ import annotations

from typing import Any

from django.utils.translation import gettext_lazy as _
from rest_framework import serializers

from calibration.metrology.corners import CORNERS
from fleet.api.fields import AwareDateTime, CornerMap, SetPoint, TrimmedText, VinField
from fleet.api.inputs import RecordSerializer
from fleet.api.person_names import PersonName

from ..fields import OneOf

REASON_LENGTH = 1000
SEVERITIES = ("note", "review", "stop")


class Reasoned(RecordSerializer):
    """A step that needs a reason."""

    reason = TrimmedText(max_length=REASON_LENGTH, help_text=_("Why, for whoever reads the record later."))


def reason_text(**options: Any) -> TrimmedText:
    options.setdefault("help_text", _("Why, for whoever reads the record later."))
    return TrimmedText(max_length=REASON_LENGTH, **options)


def counts(**options: Any) -> CornerMap:
    """A map of set-points; which corners it must have is for the job's specification to say."""
    options.setdefault("help_text", _("Set-points in counts, for each controlled corner and no other."))
    return CornerMap(SetPoint(), complete=False, **options)


def corner(**options: Any) -> OneOf:
    return OneOf("Corner", CORNERS, **options)


def severity(**options: Any) -> OneOf:
    return OneOf("FindingSeverity", SEVERITIES, **options)


class Recorded(serializers.Serializer[Any]):
    """What every record says of itself."""

    id = serializers.UUIDField()
    recorded_at = AwareDateTime(help_text=_("Server time."))
    recorded_by = serializers.UUIDField(
        allow_null=True, help_text=_("The person's id; null where the service did it itself.")
    )
    recorded_by_name = PersonName("recorded_by")


class RecordedInJob(Recorded):
    job = serializers.UUIDField(source="job_id")


class VehicleReference(serializers.Serializer[Any]):
    """A vehicle as lists and jobs name it."""

    id = serializers.UUIDField()
    vin = VinField()
    registration = TrimmedText(
        max_length=20,
        allow_blank=True,
        allow_null=True,
        help_text=_("As it is now; null for a contact whose vehicle it no longer is."),
    )
