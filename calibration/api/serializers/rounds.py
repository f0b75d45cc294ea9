"""Rounds, readings, strikes and photos."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from django.utils.translation import gettext_lazy as _
from rest_framework import serializers
from rest_framework.exceptions import ErrorDetail, ValidationError

from calibration.metrology.corners import CORNERS
from fleet.api.choices import NOT_A_LIST
from fleet.api.fields import AwareDateTime, ClientId, HeightMm, StrictBoolean, StrictDecimal, TrimmedText
from fleet.api.inputs import RecordSerializer, RequestBody
from fleet.api.person_names import PersonName
from fleet.models import Instrument, Membership

from ..fields import Document, OneOf, RecordOf, Sha256, corner, counts
from .assessment import AssessmentDocument
from .records import Recorded, RecordedInJob

MOST_READINGS = 20
"""Readings at one corner in one round; ISO 5725-6 tabulates its factors up to here."""
RIDE_POSITIONS = ("normal", "raised", "lowered", "loading")
MEDIA_TYPES = ("image/jpeg", "image/png", "image/webp")
SOURCES = ("tablet", "paper", "device")


class NewReading(RequestBody):
    """One reading at one corner."""

    id = ClientId(required=False, help_text=_("Made by the client, version 7; one for each reading."))
    corner = corner(help_text=_("Where it was read."))
    height_mm = HeightMm(help_text=_("Hub centre to wheel arch, mm."))
    confirmed = StrictBoolean(
        required=False,
        default=False,
        help_text=_("True where a height far from target was entered again and stands."),
    )


class NewRoundReading(NewReading):
    """One reading of a round; it may name another person or instrument than the round's."""

    measured_by = RecordOf(
        Membership.objects.all(),
        _("person"),
        required=False,
        allow_null=True,
        default=None,
        help_text=_("Id of the person who read it; null: who sends the round."),
    )
    instrument = RecordOf(
        Instrument.objects.all(),
        _("instrument"),
        required=False,
        allow_null=True,
        default=None,
        help_text=_("Id of the instrument; null: the round's."),
    )


def some_readings(reading: NewReading, **options: Any) -> serializers.ListSerializer[Any]:
    """At least one reading, and no more than any round can have; how many at a corner is for the service to say."""
    most = MOST_READINGS * len(CORNERS)
    return serializers.ListSerializer(
        child=reading, min_length=1, max_length=most, error_messages=dict(NOT_A_LIST), **options
    )


class NewRound(RecordSerializer):
    """All four corners, at least twice each, with the set-points that the vehicle then stored."""

    taken_at = AwareDateTime(help_text=_("The tablet's time, with offset."))
    instrument = RecordOf(Instrument.objects.all(), _("instrument"), help_text=_("Id of the instrument that measured."))
    temperature_deg_c = StrictDecimal(
        places=2,
        minimum=-90,
        maximum=90,
        required=False,
        allow_null=True,
        default=None,
        help_text=_("Of the air in the bay, °C."),
    )
    ride_position = OneOf(
        "RidePosition",
        RIDE_POSITIONS,
        required=False,
        default="normal",
        help_text=_("At which the suspension stood; only `normal` is judged."),
    )
    settled = StrictBoolean(help_text=_("Whether the suspension had come to rest; only settled rounds are judged."))
    recorded_from = OneOf(
        "RecordedFrom", SOURCES, required=False, default="tablet", help_text=_("What the figures were noted on first.")
    )
    setpoints = counts()
    readings = some_readings(NewRoundReading(), help_text=_("2 to 20 at every corner."))

    def validate_readings(self, readings: Sequence[Mapping[str, Any]]) -> Sequence[Mapping[str, Any]]:
        return with_different_ids(readings)


def with_different_ids(readings: Sequence[Mapping[str, Any]]) -> Sequence[Mapping[str, Any]]:
    ids = [each["id"] for each in readings if "id" in each]
    if len(set(ids)) != len(ids):
        raise ValidationError([ErrorDetail(str(_("Two readings have the same id.")), "id_twice")])
    return readings


class NewReadings(RecordSerializer):
    """Further readings of a round, by the round's person and instrument.

    Without ids the same readings within a minute are taken for the same request sent again.
    """

    readings = some_readings(NewReading(), help_text=_("One or more, at the corners to be read again."))

    def validate_readings(self, readings: Sequence[Mapping[str, Any]]) -> Sequence[Mapping[str, Any]]:
        return with_different_ids(readings)


class Replacement(RequestBody):
    """What was read instead."""

    height_mm = HeightMm(help_text=_("Hub centre to wheel arch, mm."))
    confirmed = StrictBoolean(
        required=False,
        default=False,
        help_text=_("True where a height far from target was entered again and stands."),
    )


class NewStrike(RecordSerializer):
    """A wrong reading stays visible; its replacement counts instead."""

    reason = TrimmedText(max_length=500, help_text=_("What was wrong with the reading."))
    replacement = Replacement(help_text=_("The reading that counts instead."))


class StrikeRecord(Recorded):
    reading = serializers.UUIDField(source="reading_id")
    replacement = serializers.UUIDField(source="replacement_id", help_text=_("The reading that counts instead."))
    reason = serializers.CharField()
    self_approved = serializers.BooleanField(help_text=_("By the person who measured, in a one-person workshop."))


class ReadingRecord(Recorded):
    """One reading, struck or not."""

    round = serializers.UUIDField(source="round_id")
    corner = corner()
    height_mm = HeightMm()
    confirmed = serializers.BooleanField()
    measured_by = serializers.UUIDField(source="measured_by_id")
    measured_by_name = PersonName("measured_by_id")
    instrument = serializers.UUIDField(source="instrument_id")
    struck = serializers.BooleanField()
    replaced_by = serializers.UUIDField(
        allow_null=True, help_text=_("The reading that counts instead of a struck one.")
    )
    strike = StrikeRecord(allow_null=True)


class RepeatabilityValues(serializers.Serializer[Any]):
    """Repeatability of person and instrument as known before the round."""

    standard_deviation_mm = serializers.FloatField()
    degrees_of_freedom = serializers.FloatField(help_text=_("Of the standard deviation."))


class PhotoRecord(RecordedInJob):
    """A picture; its location and other hidden data were removed."""

    round = serializers.UUIDField(source="round_id", allow_null=True)
    write = serializers.UUIDField(source="write_id", allow_null=True)
    sha256 = Sha256(help_text=_("Of the bytes that are kept and that `file` gives."))
    media_type = OneOf("PhotoMediaType", MEDIA_TYPES)
    size = serializers.IntegerField(min_value=1, help_text=_("Bytes."))
    file = serializers.CharField(help_text=_("Path of the picture itself."))


class NewPhoto(RequestBody):
    """A picture of tape, tool screen or damage, as multipart form data."""

    id = ClientId(required=False, help_text=_("Made by the client, version 7; sending it again makes nothing new."))
    file = serializers.FileField(
        help_text=_("JPEG, PNG or WebP, at most 10 MB and 60 million pixels."),
        max_length=200,
        error_messages={"invalid": _("Send the picture itself, as the file part `file` of multipart form data.")},
    )


class RoundRecord(RecordedInJob):
    """A round with its readings and the verdict that followed from it."""

    taken_at = AwareDateTime()
    happened_at = AwareDateTime(
        help_text=_(
            "The time that counts: `taken_at` corrected by the offset of the tablet's clock, or where that cannot "
            "be right the arrival."
        )
    )
    instrument = serializers.UUIDField(source="instrument_id")
    temperature_deg_c = StrictDecimal(places=2, minimum=-90, maximum=90, allow_null=True)
    ride_position = OneOf("RidePosition", RIDE_POSITIONS)
    settled = serializers.BooleanField()
    recorded_from = OneOf("RecordedFrom", SOURCES)
    setpoints = counts()
    repeatability = RepeatabilityValues()
    repeats = serializers.UUIDField(
        source="repeats_id",
        allow_null=True,
        help_text=_("The earlier round that this one is, sent once more under another id; it is then not counted."),
    )
    readings = ReadingRecord(many=True)
    assessment = Document(
        AssessmentDocument,
        allow_null=True,
        help_text=_("The latest one made with this round; null where it is not judged."),
    )
