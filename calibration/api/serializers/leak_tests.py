"""Leak tests."""

from __future__ import annotations

from typing import Any

from django.utils.translation import gettext_lazy as _
from rest_framework import serializers

from calibration.metrology.leak import TEMPERATURES_DEG_C
from fleet.api.fields import AwareDateTime, CornerMap, HeightMm, StrictBoolean, StrictDecimal
from fleet.api.inputs import RecordSerializer, RequestBody
from fleet.models import Instrument

from ..fields import OneOf, RecordOf
from .assessment import BudgetComponent
from .findings import FindingRecord
from .records import RecordedInJob

VERDICTS = ("within", "outside", "undecided")


def _temperature(**options: Any) -> StrictDecimal:
    low, high = (int(limit) for limit in TEMPERATURES_DEG_C)
    return StrictDecimal(places=2, minimum=low, maximum=high, allow_null=True, **options)


class NewParkedHeights(RequestBody):
    """What was read of the parked vehicle at one time."""

    at = AwareDateTime(help_text=_("The tablet's time, with offset."))
    temperature_deg_c = _temperature(
        required=False,
        default=None,
        help_text=_("Of the air around the vehicle, °C; without both temperatures nothing is corrected."),
    )
    heights = CornerMap(HeightMm(), help_text=_("Hub centre to wheel arch at each corner, mm."))
    confirmed = StrictBoolean(
        required=False,
        default=False,
        help_text=_("True where a height far from target was entered again and stands."),
    )


class NewLeakTest(RecordSerializer):
    """The vehicle measured twice between the same marks, engine off and levelling asleep, the later the better."""

    instrument = RecordOf(Instrument.objects.all(), _("instrument"), help_text=_("Id of the instrument that measured."))
    start = NewParkedHeights(help_text=_("The first heights."))
    end = NewParkedHeights(help_text=_("The second heights, later than the first."))


class ParkedHeightsRecord(serializers.Serializer[Any]):
    """What was read of the parked vehicle at one time."""

    at = AwareDateTime()
    temperature_deg_c = _temperature()
    heights = CornerMap(HeightMm(), help_text=_("Hub centre to wheel arch at each corner, mm."))


class CornerLeakResult(serializers.Serializer[Any]):
    """How fast one corner sank."""

    change_mm = serializers.FloatField(help_text=_("As measured, second minus first."))
    thermal_change_mm = serializers.FloatField(help_text=_("What the change of temperature did of it; 0 if unknown."))
    rate_mm_per_h = serializers.FloatField(
        help_text=_("Positive for sinking, mm per hour, without the thermal change.")
    )
    expanded_uncertainty_mm_per_h = serializers.FloatField(help_text=_("Of the rate, mm per hour."))
    verdict = OneOf(
        "LeakVerdict",
        VERDICTS,
        allow_null=True,
        help_text=_("Undecided does not pass; null where the specification names no limit."),
    )
    temperature_corrected = serializers.BooleanField(
        help_text=_("Whether the thermal change is taken out: both temperatures and the air column are known.")
    )
    hours_to_decide = serializers.FloatField(
        allow_null=True,
        help_text=_("Of an undecided corner: how long a test from start to end would decide, hours; null if none."),
    )
    rose = serializers.BooleanField(help_text=_("Rose by more than the uncertainty: levelling may have woken."))
    budget = BudgetComponent(many=True, help_text=_("Of the change of height."))


class CornerLeakResults(serializers.Serializer[Any]):
    FL = CornerLeakResult()
    FR = CornerLeakResult()
    RL = CornerLeakResult()
    RR = CornerLeakResult()


class LeakTestRecord(RecordedInJob):
    """A leak test with its result, judged by the specification that the job is judged by now."""

    instrument = serializers.UUIDField(source="instrument_id")
    start = ParkedHeightsRecord()
    end = ParkedHeightsRecord()
    happened_at = AwareDateTime(
        help_text=_(
            "The time that counts: that of the second heights corrected by the offset of the tablet's clock, or where "
            "that cannot be right the arrival."
        )
    )
    hours = serializers.FloatField(help_text=_("From the first heights to the second."))
    verdict = OneOf("LeakVerdict", VERDICTS, allow_null=True, help_text=_("On all corners; null without a limit."))
    hours_to_decide = serializers.FloatField(
        allow_null=True, help_text=_("What the slowest undecided corner needs, hours; null if there is none.")
    )
    temperature_corrected = serializers.BooleanField(
        help_text=_("Whether the thermal change is taken out. Air in the springs is taken to be at ambient.")
    )
    limit_mm_per_h = serializers.FloatField(allow_null=True, help_text=_("The specification's limit, mm per hour."))
    air_column_mm = serializers.FloatField(allow_null=True, help_text=_("The specification's."))
    corners = CornerLeakResults()
    findings = FindingRecord(many=True)
