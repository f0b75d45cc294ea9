"""What every record, every step that needs a reason and every mention of a vehicle say."""

from __future__ import annotations

from typing import Any

from django.utils.translation import gettext_lazy as _
from rest_framework import serializers

from fleet.api.fields import AwareDateTime, TrimmedText, VinField
from fleet.api.inputs import RecordSerializer
from fleet.api.person_names import PersonName

from ..fields import reason_text


class Reasoned(RecordSerializer):
    """A step that needs a reason."""

    reason = reason_text()


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
