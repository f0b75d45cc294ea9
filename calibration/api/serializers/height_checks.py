"""Height checks: measurements outside a job."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from django.utils.translation import gettext_lazy as _
from rest_framework import serializers

from calibration.models import HeightCheck
from fleet.api.fields import AwareDateTime, HeightMm, StrictDecimal, TrimmedText
from fleet.api.inputs import FindingSerializer, RecordSerializer
from fleet.api.person_names import PersonName
from fleet.models import Instrument

from ..fields import OneOf, RecordOf, Sha256, corner
from .assessment import VERDICTS, BudgetComponent
from .records import Recorded, VehicleReference
from .rounds import (
    MEDIA_TYPES,
    NewRoundReading,
    RepeatabilityValues,
    StrikeRecord,
    some_readings,
    with_different_ids,
)

HIGHEST_ODOMETER_KM = 10_000_000


def _loading(**options: Any) -> OneOf:
    return OneOf("Loading", HeightCheck.Loading.values, **options)


class NewHeightCheck(RecordSerializer):
    """All four corners outside a job, once each or more often; nothing is read of the control unit."""

    taken_at = AwareDateTime(help_text=_("The device's time, with offset."))
    odometer_km = StrictDecimal(
        places=1,
        minimum=0,
        maximum=HIGHEST_ODOMETER_KM,
        required=False,
        allow_null=True,
        default=None,
        help_text=_("What the odometer shows, km."),
    )
    instrument = RecordOf(
        Instrument.objects.all(),
        _("instrument"),
        required=False,
        allow_null=True,
        default=None,
        help_text=_(
            "Id of the instrument that measured. Without one the widest accuracy class counts, and the standard "
            "uncertainty doubles."
        ),
    )
    temperature_deg_c = StrictDecimal(
        places=2,
        minimum=-90,
        maximum=90,
        required=False,
        allow_null=True,
        default=None,
        help_text=_("Of the air around the vehicle, °C."),
    )
    loading = _loading(
        help_text=_("Whether the vehicle was loaded as its specification says; with `other` nothing is judged.")
    )
    note = TrimmedText(
        max_length=1000, allow_blank=True, lines=True, required=False, default="", help_text=_("Whatever was noticed.")
    )
    readings = some_readings(NewRoundReading(), help_text=_("1 to 20 at every corner."))

    def validate_readings(self, readings: Sequence[Mapping[str, Any]]) -> Sequence[Mapping[str, Any]]:
        return with_different_ids(readings)


class CheckReadingRecord(Recorded):
    """One reading, struck or not."""

    corner = corner()
    height_mm = HeightMm()
    confirmed = serializers.BooleanField()
    measured_by = serializers.UUIDField(source="measured_by_id", allow_null=True)
    measured_by_name = PersonName("measured_by_id")
    instrument = serializers.UUIDField(source="instrument_id", allow_null=True)
    struck = serializers.BooleanField()
    replaced_by = serializers.UUIDField(
        allow_null=True, help_text=_("The reading that counts instead of a struck one.")
    )
    strike = StrikeRecord(allow_null=True)


def _judged(text: Any) -> serializers.FloatField:
    return serializers.FloatField(allow_null=True, help_text=text)


class _Checked(serializers.Serializer[Any]):
    """A value with its uncertainty (JCGM 100) and verdict (JCGM 106, guard band U); null without a specification."""

    standard_uncertainty_mm = _judged(_("Combined, of the value."))
    degrees_of_freedom = serializers.IntegerField(allow_null=True, help_text=_("Effective; null: infinite."))
    coverage_factor = _judged(_("Expanded uncertainty divided by standard uncertainty."))
    expanded_uncertainty_mm = _judged(_("Two-sided, 95 %."))
    verdict = OneOf(
        "Verdict", VERDICTS, allow_null=True, help_text=_("Null where the vehicle was not loaded as specified.")
    )
    adjustable = serializers.BooleanField(
        allow_null=True, help_text=_("Whether set-points can change it; if not, it decides nothing.")
    )
    budget = BudgetComponent(many=True, help_text=_("What the standard uncertainty is made of."))


class CheckedCornerDocument(_Checked):
    mean_mm = serializers.FloatField(help_text=_("The height, from the readings that count."))
    target_mm = _judged(_("The specification's, or the concession's in force."))
    deviation_mm = _judged(_("Height minus target."))
    tolerance_mm = _judged(_("Permitted deviation to either side."))
    readings = serializers.IntegerField(help_text=_("How many readings count at this corner."))
    estimator = OneOf("Estimator", ("mean", "median"), help_text=_("`median`: readings disagreed and were repeated."))
    conformance_probability = serializers.FloatField(
        min_value=0, max_value=1, allow_null=True, help_text=_("That the true height is within tolerance (JCGM 106).")
    )


class CheckedSideDocument(_Checked):
    difference_mm = serializers.FloatField(help_text=_("Left minus right."))
    limit_mm = serializers.FloatField(help_text=_("Permitted difference to either side."))


class CheckedCorners(serializers.Serializer[Any]):
    FL = CheckedCornerDocument()
    FR = CheckedCornerDocument()
    RL = CheckedCornerDocument()
    RR = CheckedCornerDocument()


class CheckedSides(serializers.Serializer[Any]):
    front = CheckedSideDocument()
    rear = CheckedSideDocument()


class NextCheck(serializers.Serializer[Any]):
    """When the heights are to be checked again, counted from this check; whichever comes first."""

    due_on = serializers.DateField(allow_null=True, help_text=_("Null where the specification names no time."))
    due_at_km = serializers.FloatField(
        allow_null=True, help_text=_("Null where the specification names no distance, or no odometer was read.")
    )


class HeightCheckRecord(Recorded):
    """A height check with its readings and what they say of each corner."""

    vehicle = VehicleReference()
    taken_at = AwareDateTime()
    happened_at = AwareDateTime(
        help_text=_(
            "The time that counts: `taken_at` corrected by the offset of the device's clock, or where that cannot be "
            "right the arrival."
        )
    )
    received_at = AwareDateTime(
        help_text=_("When it counts as received; of an imported one when it had arrived where it was kept.")
    )
    odometer_km = StrictDecimal(places=1, minimum=0, maximum=HIGHEST_ODOMETER_KM, allow_null=True)
    instrument = serializers.UUIDField(source="instrument_id", allow_null=True)
    temperature_deg_c = StrictDecimal(places=2, minimum=-90, maximum=90, allow_null=True)
    loading = _loading()
    note = serializers.CharField(allow_blank=True)
    specification = serializers.UUIDField(
        source="specification_id",
        allow_null=True,
        help_text=_(
            "The revision that it is judged by. Null: none is in force on its day; the first one recorded that is "
            "judges it from then on."
        ),
    )
    specification_known_at = AwareDateTime(
        allow_null=True,
        help_text=_(
            "When that revision came on record, or the vehicle got its model, where that was after the check; null "
            "where it was judged at once, or is not judged."
        ),
    )
    concession = serializers.UUIDField(
        source="concession_id", allow_null=True, help_text=_("Whose targets were in force instead.")
    )
    repeatability = RepeatabilityValues()
    repeats = serializers.UUIDField(
        source="repeats_id",
        allow_null=True,
        help_text=_("The earlier check that this one is, sent once more under another id; it is then not counted."),
    )
    counts_for_drift = serializers.BooleanField(
        help_text=_(
            "Loaded as specified, judged by a specification, no copy of another check, and no height that waits to be "
            "confirmed."
        )
    )
    verdict = OneOf(
        "Verdict",
        VERDICTS,
        allow_null=True,
        help_text=_("Over adjustable corners and sides; null where nothing is judged."),
    )
    corners = CheckedCorners()
    sides = CheckedSides(allow_null=True, help_text=_("Null without a specification."))
    next_check = NextCheck()
    readings = CheckReadingRecord(many=True)
    findings = FindingSerializer(many=True)


class CheckPhotoRecord(Recorded):
    """A picture; its location and other hidden data were removed."""

    height_check = serializers.UUIDField(source="height_check_id")
    sha256 = Sha256(help_text=_("Of the bytes that are kept and that `file` gives."))
    media_type = OneOf("PhotoMediaType", MEDIA_TYPES)
    size = serializers.IntegerField(min_value=1, help_text=_("Bytes."))
    file = serializers.CharField(help_text=_("Path of the picture itself."))
