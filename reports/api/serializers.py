"""What the interface shows of certificates and of background work that waits for a person."""

from __future__ import annotations

from django.utils.translation import gettext_lazy as _
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from fleet.api.fields import TrimmedText
from fleet.api.inputs import RecordSerializer
from fleet.models import OutboxItem

from ..models import Certificate
from ..selectors.parked_work import subjects


class CertificateSerializer(serializers.ModelSerializer[Certificate]):
    job = serializers.UUIDField(source="job_id", read_only=True)
    vehicle = serializers.CharField(source="vehicle.vin", read_only=True)
    number = serializers.IntegerField(read_only=True, help_text=_("Counted within the workshop, without gaps."))
    replaces = serializers.IntegerField(
        source="replaces.number",
        default=None,
        allow_null=True,
        read_only=True,
        help_text=_("Number of the one whose place it takes."),
    )
    replaced_by = serializers.SerializerMethodField(help_text=_("Number of the one that takes its place."))
    recipients = serializers.IntegerField(
        allow_null=True,
        read_only=True,
        help_text=_("To how many addresses it went by e-mail at its issue; 0: nobody has one, hand it over on paper."),
    )
    sha256 = serializers.CharField(source="file.sha256", default=None, allow_null=True, read_only=True)

    class Meta:
        model = Certificate
        fields = (
            "id",
            "number",
            "kind",
            "code",
            "job",
            "vehicle",
            "issued_at",
            "recipients",
            "state",
            "replaces",
            "replaced_by",
            "reason",
            "sha256",
        )
        read_only_fields = fields

    def get_replaced_by(self, certificate: Certificate) -> int | None:
        return next((each.number for each in certificate.replacements.all()), None)


class CertificateReplacementSerializer(RecordSerializer):
    """Why another one is to take its place."""

    reason = TrimmedText(max_length=1000, help_text=_("What was wrong; the new one states it."))


class CertificateSendingSerializer(RecordSerializer):
    """The id alone: asked again with the same one, it is sent once."""


class ParkedWorkSerializer(serializers.ModelSerializer[OutboxItem]):
    about = serializers.SerializerMethodField(help_text=_("Ids of what it is about, by kind of record."))
    attempts = serializers.IntegerField(
        read_only=True, help_text=_("How often it was tried since it was last asked for.")
    )

    class Meta:
        model = OutboxItem
        fields = ("id", "kind", "state", "about", "attempts", "error", "created_at", "finished_at")
        read_only_fields = fields

    @extend_schema_field({"type": "object", "additionalProperties": {"type": "string", "format": "uuid"}})
    def get_about(self, item: OutboxItem) -> dict[str, str]:
        return subjects(item.payload)
