"""A vehicle's set-points over time."""

from __future__ import annotations

from typing import Any

from django.utils.translation import gettext_lazy as _
from rest_framework import serializers

from calibration.metrology.corners import CORNERS
from fleet.api.choices import ListOf
from fleet.api.fields import AwareDateTime, SetPoint

from ..fields import OneOf, corner
from .records import Reasoned, Recorded

CHANGE_SOURCES = ("write", "found")


class NewBaselineReset(Reasoned):
    """From the next set-points read on, shift limits count anew at these corners."""

    corners = ListOf(child=corner(), min_length=1, max_length=len(CORNERS), help_text=_("Where the limits count anew."))

    def validate_corners(self, corners: list[str]) -> list[str]:
        return [each for each in CORNERS if each in corners]


class BaselineResetRecord(Recorded):
    vehicle = serializers.UUIDField(source="vehicle_id")
    corners = serializers.ListField(child=corner())
    reason = serializers.CharField()


class PersonReference(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    name = serializers.CharField(allow_blank=True)


class JobReference(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    number = serializers.IntegerField(help_text=_("Counted within the workshop."))


class SetpointChangeRecord(serializers.Serializer[Any]):
    """One set-point that became another."""

    at = AwareDateTime(help_text=_("When it was written, or when it was found changed."))
    who = PersonReference(allow_null=True, help_text=_("Who recorded it."))
    corner = corner()
    to = SetPoint(help_text=_("Counts; what it became."))
    source = OneOf(  # type: ignore[assignment]
        "SetpointChangeSource",
        CHANGE_SOURCES,
        help_text=_("`write`: in the job; `found`: read as another than last known."),
    )
    why = serializers.CharField(allow_null=True, help_text=_("Null where no reason is recorded."))
    job = JobReference()
    write = serializers.UUIDField(allow_null=True)
    proposal = serializers.UUIDField(allow_null=True)
    height_before_mm = serializers.FloatField(
        allow_null=True, help_text=_("Of the last settled round before it in the same job; null where there is none.")
    )
    height_after_mm = serializers.FloatField(
        allow_null=True, help_text=_("Of the first settled round after it in the same job, before the next change.")
    )

    def get_fields(self) -> dict[str, serializers.Field[Any, Any, Any, Any]]:
        """`from` is no name that Python allows."""
        return {"from": SetPoint(help_text=_("Counts; what it was.")), **super().get_fields()}
