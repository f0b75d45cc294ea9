"""Imports over HTTP: managers hand in files, follow what comes of them, and cancel them."""

from __future__ import annotations

from collections.abc import Mapping
from http import HTTPStatus
from typing import IO, Any
from uuid import UUID

from django.conf import settings
from django.db.models import QuerySet
from django.http import FileResponse
from django.utils.translation import gettext_lazy as _
from django_filters import rest_framework as filters
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiResponse, extend_schema
from rest_framework.decorators import action
from rest_framework.mixins import ListModelMixin, RetrieveModelMixin
from rest_framework.parsers import DataAndFiles, MultiPartParser
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.serializers import BaseSerializer

from fleet import receipts
from fleet.api.base import WorkshopViewSet
from fleet.api.filters import one_of
from fleet.api.parsers import BodyTooLarge
from fleet.api.resources import ResourceMixin
from fleet.permissions import Permission, require

from ..imports import assumptions
from ..imports.assumptions import stated
from ..imports.error_file import error_file
from ..imports.storage import digest_of
from ..models import Import
from ..selectors.imports import import_for, visible_imports
from ..services.import_settings import earlier_import, proposed_columns, taken_over
from ..services.imports import import_begin, import_cancel, import_file_keep, sample_for
from .import_serializers import KINDS, CancellationInput, ImportDetailSerializer, ImportSerializer, NewImport
from .views import UUID_FORM, PdfRenderer

FORM_BYTES = 40_000
"""Boundaries, headers and the other fields of the form."""


class ImportParser(MultiPartParser):
    """`multipart/form-data` of at most one file's size, refused by its stated length before it is read."""

    def parse(
        self, stream: IO[Any], media_type: str | None = None, parser_context: Mapping[str, Any] | None = None
    ) -> DataAndFiles[Any, Any]:
        stated = (parser_context or {})["request"].META.get("CONTENT_LENGTH") or "0"
        if stated.isdecimal() and int(stated) > settings.IMPORT_LARGEST_BYTES + FORM_BYTES:
            raise BodyTooLarge(settings.IMPORT_LARGEST_BYTES)
        return super().parse(stream, media_type, parser_context)


class CsvRenderer(PdfRenderer):
    """Lets clients ask for text/csv."""

    media_type = "text/csv"
    format = "csv"


class ImportFilter(filters.FilterSet):
    state = one_of("state", Import.State.values, _("state"))
    kind = one_of("kind", KINDS, _("kind"))

    class Meta:
        model = Import
        fields = ("state", "kind")


class ImportViewSet(ResourceMixin, ListModelMixin, RetrieveModelMixin, WorkshopViewSet):
    """`/imports/`"""

    queryset = Import.objects.all()
    filterset_class = ImportFilter
    lookup_value_regex = UUID_FORM
    ordering = "-created_at"
    read_permission = Permission.SET_UP
    summaries = {
        "list": _("The imports, newest first."),
        "retrieve": _("One import: how far it is, and what was wrong with its rows."),
        "create": _("Hand in a file and have it carried out in the background."),
        "cancellation": _("End an import that waits or is under way; what it recorded before stays."),
        "errors": _("Everything that was wrong with its rows, as a CSV file."),
    }

    def get_parsers(self) -> list[Any]:
        method = (self.request.method or "") if getattr(self, "request", None) else ""
        is_file = self.action_map.get(method.lower()) == "create" if getattr(self, "action_map", None) else False
        return [ImportParser()] if is_file else super().get_parsers()

    def get_serializer_class(self) -> type[BaseSerializer[Any]]:
        return ImportSerializer if self.action == "list" else ImportDetailSerializer

    def get_queryset(self) -> QuerySet[Import]:
        if getattr(self, "swagger_fake_view", False):
            return self.queryset.none()
        return visible_imports(self.actor)

    @extend_schema(
        request={"multipart/form-data": NewImport},
        responses={
            202: OpenApiResponse(ImportDetailSerializer, description="Waiting to be carried out."),
            200: OpenApiResponse(ImportDetailSerializer, description="Asked for before with this id and content."),
        },
    )
    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        require(self.actor, Permission.SET_UP)
        body = self.validated(NewImport)
        upload = body.pop("file")
        if upload.size > settings.IMPORT_LARGEST_BYTES:
            raise BodyTooLarge(settings.IMPORT_LARGEST_BYTES)
        record_id, earlier = body.pop("id", None), None
        if earlier_id := body.pop("settings_of", None):
            earlier = earlier_import(self.actor, earlier_id, body["kind"])
            body = taken_over(earlier, body, request.data)
        if said := stated({name: body.pop(name, "") for name in assumptions.KEPT}):
            body["assumptions"] = said
        content = {**body, "sha256": digest_of(upload.chunks())}

        def do(new: UUID) -> Import:
            file = import_file_keep(actor=self.actor, name=upload.name, content=upload)
            if earlier is None:
                return import_begin(actor=self.actor, record_id=new, file=file, **body)
            columns = {**proposed_columns(earlier, file, sample_for(file), earlier.kind), **body["columns"]}
            return import_begin(actor=self.actor, record_id=new, file=file, **{**body, "columns": columns})

        run, is_new = receipts.once(self.actor, "reports.import", record_id, content, do, self._found)
        code = HTTPStatus.ACCEPTED if is_new else HTTPStatus.OK
        return Response(ImportDetailSerializer(run).data, status=code)

    @extend_schema(request=CancellationInput, responses={200: ImportDetailSerializer})
    @action(detail=True, methods=["post"])
    def cancellation(self, request: Request, pk: str) -> Response:
        require(self.actor, Permission.SET_UP)
        run = import_for(self.actor, UUID(pk))
        data = self.validated(CancellationInput)
        self.once(
            "reports.import_cancellation",
            data,
            lambda _id: import_cancel(actor=self.actor, import_id=run.pk),
            lambda _id: run,
            of_import=run.pk,
        )
        return Response(ImportDetailSerializer(import_for(self.actor, run.pk)).data)

    @extend_schema(responses={(200, "text/csv"): OpenApiTypes.BINARY})
    @action(detail=True, methods=["get"], renderer_classes=[CsvRenderer, JSONRenderer])
    def errors(self, request: Request, pk: str) -> FileResponse:
        """The refused rows as CSV, a line each: line, columns, rules and sentences in the language of whoever started
        the import, then the row's cells. Put right, the file may be imported as it is: the first four columns are
        passed over. Between columns stands what stood there in the imported file."""
        run = import_for(self.actor, UUID(pk))
        return errors_of(run)

    def _found(self, record_id: UUID) -> Import:
        return import_for(self.actor, record_id)


def errors_of(run: Import) -> FileResponse:
    """The file of errors, to be saved."""
    name = f"import-errors-{run.created_at:%Y-%m-%d}-{run.pk.hex[-6:]}.csv"
    return FileResponse(error_file(run), as_attachment=True, filename=name, content_type="text/csv; charset=utf-8")
