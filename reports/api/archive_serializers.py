"""Exports and archives over HTTP: what is sent and answered."""

from __future__ import annotations

from typing import Any

from django.urls import reverse
from django.utils.translation import gettext_lazy as _
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from fleet.api.fields import AwareDateTime
from fleet.api.inputs import RecordSerializer

from ..models import ArchiveIntake, Export
from ..selectors.archives import State, archive_state, export_state, totals


class ExportInput(RecordSerializer):
    """A new export; the id alone, so that asked again it is the same one."""


class ContentsSerializer(serializers.Serializer[Any]):
    """How much an archive holds."""

    vehicles = serializers.IntegerField(help_text=_("Number of vehicles."))
    jobs = serializers.IntegerField(help_text=_("Number of jobs."))
    checks = serializers.IntegerField(help_text=_("Number of height checks."))
    certificates = serializers.IntegerField(help_text=_("Number of certificates and findings reports, as PDF."))
    photos = serializers.IntegerField(help_text=_("Number of pictures."))
    ledger_entries = serializers.IntegerField(help_text=_("Number of ledger entries."))


class ExportSerializer(serializers.Serializer[Export]):
    """An export and how far it is."""

    id = serializers.UUIDField()
    state = serializers.SerializerMethodField(
        help_text=_("`failed`: it waits among the parked work; `cleared`: the file was kept long enough.")
    )
    requested_at = AwareDateTime()
    requested_by = serializers.UUIDField(source="requested_by_id", allow_null=True)
    made_at = AwareDateTime(allow_null=True, help_text=_("The moment that the archive is of."))
    expires_at = AwareDateTime(allow_null=True, help_text=_("Until when the file is kept."))
    size = serializers.IntegerField(allow_null=True, help_text=_("Of the file, in bytes."))
    sha256 = serializers.CharField(help_text=_("Of the file; empty before it is made."))
    contents = serializers.SerializerMethodField()
    missing = serializers.IntegerField(help_text=_("Number of pictures that the file store did not have."))
    file = serializers.SerializerMethodField(help_text=_("Where the file is; null while there is none."))

    @extend_schema_field(serializers.ChoiceField(State.choices))
    def get_state(self, export: Export) -> str:
        return export_state(export).value

    @extend_schema_field(ContentsSerializer(allow_null=True))
    def get_contents(self, export: Export) -> dict[str, int] | None:
        return totals(export.counts) if export.counts else None

    @extend_schema_field(serializers.CharField(allow_null=True))
    def get_file(self, export: Export) -> str | None:
        is_there = export.made_at is not None and export.cleared_at is None
        return reverse("export-file", args=[export.pk]) if is_there else None


class ArchiveInput(RecordSerializer):
    """An archive as `/exports/` makes it."""

    file = serializers.FileField(
        help_text=_("The ZIP file."),
        max_length=200,
        error_messages={"invalid": _("Send the archive itself, as the file part `file` of multipart form data.")},
    )


class RefusalSerializer(serializers.Serializer[Any]):
    """Why an archive was not accepted."""

    code = serializers.CharField()
    detail = serializers.CharField()
    member = serializers.CharField(help_text=_("The file within the archive that is at fault; empty where none is."))


class SourceSerializer(serializers.Serializer[Any]):
    """Of what an archive is, as its manifest says."""

    workshop = serializers.CharField()
    workshop_id = serializers.UUIDField()
    made_at = serializers.CharField()
    epoch = serializers.CharField(help_text=_("Of the service that made it."))
    origin = serializers.CharField(help_text=_("Name of its ledger's tree, as it stands in signed heads."))


class ArchiveSerializer(serializers.Serializer[ArchiveIntake]):
    """An archive that was handed in, and what came of it."""

    id = serializers.UUIDField()
    state = serializers.SerializerMethodField()
    handed_in_at = AwareDateTime()
    handed_in_by = serializers.UUIDField(source="handed_in_by_id", allow_null=True)
    finished_at = AwareDateTime(allow_null=True)
    size = serializers.IntegerField(help_text=_("Of the file, in bytes."))
    sha256 = serializers.CharField(help_text=_("Of the file."))
    evidence_sha256 = serializers.CharField(help_text=_("Of the old ledger's file, which is kept; empty before."))
    source_workshop = SourceSerializer(source="source")
    contents = serializers.SerializerMethodField()
    refusal = serializers.SerializerMethodField()

    @extend_schema_field(serializers.ChoiceField(State.choices))
    def get_state(self, intake: ArchiveIntake) -> str:
        return archive_state(intake).value

    @extend_schema_field(ContentsSerializer)
    def get_contents(self, intake: ArchiveIntake) -> dict[str, int]:
        return totals(intake.source["counts"])

    @extend_schema_field(RefusalSerializer(allow_null=True))
    def get_refusal(self, intake: ArchiveIntake) -> dict[str, str] | None:
        return intake.refusal or None
