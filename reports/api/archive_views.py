"""Exports and archives over HTTP: managers have the whole workshop made an archive, and an empty one takes it in."""

from __future__ import annotations

from collections.abc import Mapping
from http import HTTPStatus
from typing import IO, Any
from uuid import UUID

from django.core.files.uploadedfile import UploadedFile
from django.db.models import QuerySet
from django.http import FileResponse
from django.utils.translation import gettext_lazy as _
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiResponse, extend_schema
from rest_framework.decorators import action
from rest_framework.mixins import ListModelMixin, RetrieveModelMixin
from rest_framework.parsers import DataAndFiles, MultiPartParser
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from calibration.api.views.photos import digest_of
from fleet.api.base import WorkshopViewSet
from fleet.api.parsers import BodyTooLarge
from fleet.api.resources import ResourceMixin
from fleet.permissions import Permission, require

from ..archive.members import LARGEST_UPLOAD
from ..models import ArchiveIntake, Export
from ..selectors.archives import visible_archives, visible_exports
from ..services.archives import archive_cancel, archive_hand_in
from ..services.exports import export_file, export_request
from .archive_serializers import ArchiveInput, ArchiveSerializer, ExportInput, ExportSerializer
from .import_serializers import CancellationInput
from .views import UUID_FORM, PdfRenderer


class ZipRenderer(PdfRenderer):
    """Lets clients ask for application/zip."""

    media_type = "application/zip"
    format = "zip"


class ArchiveParser(MultiPartParser):
    """`multipart/form-data` of at most the size that is taken over the network."""

    def parse(
        self, stream: IO[Any], media_type: str | None = None, parser_context: Mapping[str, Any] | None = None
    ) -> DataAndFiles[Any, Any]:
        stated = (parser_context or {})["request"].META.get("CONTENT_LENGTH") or "0"
        if not stated.isdecimal() or int(stated) > LARGEST_UPLOAD:
            raise BodyTooLarge(LARGEST_UPLOAD)
        return super().parse(stream, media_type, parser_context)


class ExportViewSet(ResourceMixin, ListModelMixin, RetrieveModelMixin, WorkshopViewSet):
    """`/exports/`"""

    queryset = Export.objects.all()
    serializer_class = ExportSerializer
    create_serializer_class = ExportInput
    lookup_value_regex = UUID_FORM
    filter_backends = ()
    ordering = "-requested_at"
    read_permission = Permission.SET_UP
    summaries = {
        "list": _("The exports that were asked for, newest first."),
        "retrieve": _("One export: how far it is, and what it holds."),
        "create": _(
            "Ask for an archive of the whole workshop: tables as CSV with a data dictionary, certificates, pictures "
            "and the ledger. It is made in the background."
        ),
        "file": _("The archive itself, a ZIP file."),
    }

    def get_queryset(self) -> QuerySet[Export]:
        if getattr(self, "swagger_fake_view", False):
            return self.queryset.none()
        return visible_exports(self.actor)

    @extend_schema(
        request=ExportInput,
        responses={
            202: OpenApiResponse(ExportSerializer, description="It is being made."),
            200: OpenApiResponse(ExportSerializer, description="Asked for before with this id."),
        },
    )
    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        require(self.actor, Permission.SET_UP)
        made, code = self.once(
            Export._meta.label_lower,
            self.validated(ExportInput),
            lambda record_id: export_request(actor=self.actor, record_id=record_id),
            lambda record_id: Export.objects.get(pk=record_id),
        )
        return Response(ExportSerializer(made).data, status=_accepted(code))

    @extend_schema(responses={(200, "application/zip"): OpenApiTypes.BINARY})
    @action(detail=True, renderer_classes=[ZipRenderer, JSONRenderer])
    def file(self, request: Request, pk: str) -> FileResponse:
        export, content = export_file(actor=self.actor, export_id=UUID(pk))
        return zip_answer(export, content)


class ArchiveViewSet(ResourceMixin, ListModelMixin, RetrieveModelMixin, WorkshopViewSet):
    """`/archives/`"""

    queryset = ArchiveIntake.objects.all()
    serializer_class = ArchiveSerializer
    create_serializer_class = ArchiveInput
    parser_classes = (ArchiveParser,)
    lookup_value_regex = UUID_FORM
    filter_backends = ()
    ordering = "-handed_in_at"
    read_permission = Permission.SET_UP
    summaries = {
        "list": _("The archives that were handed in, newest first."),
        "retrieve": _("One archive: how far its intake is, and what came of it."),
        "create": _(
            "Hand in an archive that `/exports/` made, for an empty workshop to take in. All of it is taken in, in the "
            "background, or nothing. Larger ones are taken in on the service's machine."
        ),
        "cancellation": _("End an intake that waits or failed in every attempt; nothing of it was taken in."),
    }

    def get_queryset(self) -> QuerySet[ArchiveIntake]:
        if getattr(self, "swagger_fake_view", False):
            return self.queryset.none()
        return visible_archives(self.actor)

    @extend_schema(
        request={"multipart/form-data": ArchiveInput},
        responses={
            202: OpenApiResponse(ArchiveSerializer, description="It is being taken in."),
            200: OpenApiResponse(ArchiveSerializer, description="Handed in before with this id and content."),
        },
    )
    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        require(self.actor, Permission.SET_UP)
        data = self.validated(ArchiveInput)
        upload: UploadedFile[bytes] = data.pop("file")
        made, code = self.once(
            ArchiveIntake._meta.label_lower,
            {**data, "sha256": digest_of(upload)},
            lambda record_id: archive_hand_in(actor=self.actor, record_id=record_id, file=upload, most=LARGEST_UPLOAD),
            lambda record_id: ArchiveIntake.objects.get(pk=record_id),
        )
        return Response(ArchiveSerializer(made).data, status=_accepted(code))

    @extend_schema(request=CancellationInput, responses={200: ArchiveSerializer})
    @action(detail=True, methods=["post"], parser_classes=WorkshopViewSet.parser_classes)
    def cancellation(self, request: Request, pk: str) -> Response:
        require(self.actor, Permission.SET_UP)
        self.once(
            "reports.archive_cancellation",
            self.validated(CancellationInput),
            lambda _id: archive_cancel(actor=self.actor, intake_id=UUID(pk)),
            lambda _id: visible_archives(self.actor).get(pk=pk),
            of_archive=UUID(pk),
        )
        return Response(ArchiveSerializer(visible_archives(self.actor).get(pk=pk)).data)


def zip_answer(export: Export, content: IO[bytes]) -> FileResponse:
    """The file of an export, piece by piece."""
    assert export.made_at is not None  # there is a file
    name = f"workshop-{export.made_at:%Y-%m-%d-%H%M}.zip"
    response = FileResponse(content, as_attachment=True, filename=name, content_type="application/zip")
    response["Cache-Control"] = "private, no-store"
    return response


def _accepted(code: int) -> int:
    return HTTPStatus.ACCEPTED if code == HTTPStatus.CREATED else code
