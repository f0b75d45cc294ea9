"""Height checks, strikes of their readings, and their photos."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import Any
from uuid import UUID

from django.core.files.uploadedfile import UploadedFile
from django.db.models import QuerySet
from django.utils.translation import gettext_lazy as _
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.serializers import BaseSerializer

from calibration.models import HeightCheck, HeightCheckPhoto, HeightCheckReading, HeightCheckStrike
from calibration.selectors.height_checks import measured_height_checks, visible_height_checks
from calibration.services.height_checks import check_reading_strike, height_check_record, height_check_sent_before
from calibration.services.photos import check_photo_add
from fleet.errors import NotFound
from fleet.models import Vehicle
from fleet.permissions import Permission
from fleet.selectors.vehicles import vehicle_by_vin

from .. import examples
from ..check_documents import check_photo_document, height_check_document
from ..documents import Shown
from ..filters import HeightCheckFilter
from ..openapi import RECORDING
from ..parsers import PhotoParser
from ..serializers.height_checks import CheckPhotoRecord, HeightCheckRecord, NewHeightCheck
from ..serializers.rounds import NewPhoto, NewStrike, StrikeRecord
from .base import Body, RecordsViewSet
from .photos import PhotoFileViewSet, digest_of, require_not_too_large


class HeightCheckViewSet(RecordsViewSet):
    """`/checks/`"""

    model = HeightCheck
    serializer_class = HeightCheckRecord
    filterset_class = HeightCheckFilter
    read_permission = Permission.READ_OWN_VEHICLES
    ordering = "-recorded_at"
    summaries = {
        "list": _("Height checks of all vehicles, the last recorded first."),
        "retrieve": _("One height check with its readings and what they say of each corner."),
    }

    def get_queryset(self) -> QuerySet[HeightCheck]:
        if getattr(self, "swagger_fake_view", False):
            return HeightCheck.objects.none()
        return visible_height_checks(self.actor)

    def documents(self, rows: Sequence[HeightCheck]) -> list[Shown]:
        return [height_check_document(self.actor, each) for each in measured_height_checks(rows)]


class VehicleHeightCheckViewSet(HeightCheckViewSet):
    """`/vehicles/{vin}/checks/`"""

    ordering = "-happened_at"
    ordering_fields = ("happened_at",)
    bodies = {"create": NewHeightCheck}
    answers = {"create": (RECORDING, HeightCheckRecord)}
    summaries = {
        **HeightCheckViewSet.summaries,
        "list": _("Height checks of a vehicle, the last measured first."),
        "create": _("Record a height check: all four corners outside a job, one reading each is enough."),
    }
    examples = examples.CHECKS

    @cached_property
    def vehicle(self) -> Vehicle:
        """The vehicle that the address names, where the actor may see it."""
        return vehicle_by_vin(self.actor, self.kwargs["vin"])

    def get_queryset(self) -> QuerySet[HeightCheck]:
        rows = super().get_queryset()
        return rows if getattr(self, "swagger_fake_view", False) else rows.filter(vehicle=self.vehicle)

    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        vehicle = self.vehicle

        def do(record_id: UUID, body: Body) -> HeightCheck:
            return height_check_record(actor=self.actor, record_id=record_id, vehicle=vehicle, **body)

        def sent_before(body: Body) -> HeightCheck | None:
            return height_check_sent_before(actor=self.actor, vehicle=vehicle, **body)

        return self.record(self.body(Permission.RECORD_CHECKS), do, sent_before=sent_before, vehicle=vehicle.pk)


class CheckReadingViewSet(RecordsViewSet):
    """`/check-readings/{id}/strike/`"""

    model = HeightCheckReading
    read_permission = Permission.READ_OWN_VEHICLES
    bodies = {"strike": NewStrike}
    answers = {"strike": (RECORDING, HeightCheckRecord)}
    summaries = {
        "strike": _("Strike out a wrong reading of a height check and replace it; both stay visible."),
        "strike_retrieve": _("The strike of a reading of a height check."),
    }
    examples = examples.READINGS

    def get_serializer_class(self) -> type[BaseSerializer[Any]]:
        return HeightCheckRecord if self.action == "strike" else StrikeRecord

    def get_queryset(self) -> QuerySet[HeightCheckReading]:
        rows = HeightCheckReading.objects.all()
        if getattr(self, "swagger_fake_view", False):
            return rows.none()
        return rows.filter(height_check__in=visible_height_checks(self.actor))

    def documents(self, rows: Sequence[Any]) -> Sequence[Any]:
        if self.action == "strike_retrieve":
            return rows
        return [height_check_document(self.actor, each) for each in measured_height_checks(rows)]

    def strike(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        reading: HeightCheckReading = self.get_object()
        return self.record(
            self.body(Permission.RECORD_FACTS),
            lambda record_id, body: check_reading_strike(
                actor=self.actor, record_id=record_id, reading_id=reading.pk, **body
            ),
            lambda _id: visible_height_checks(self.actor).get(pk=reading.height_check_id),
            reading=reading.pk,
        )

    def strike_retrieve(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        strike = HeightCheckStrike.objects.filter(reading=self.get_object()).first()
        if strike is None:
            raise NotFound
        return Response(self.shown([strike])[0])


class _OfVisibleChecks(RecordsViewSet):
    """Photos of the checks that the actor may see."""

    model = HeightCheckPhoto
    read_permission = Permission.READ_OWN_VEHICLES

    def get_queryset(self) -> QuerySet[HeightCheckPhoto]:
        rows = HeightCheckPhoto.objects.all()
        if getattr(self, "swagger_fake_view", False):
            return rows.none()
        return rows.filter(height_check__in=visible_height_checks(self.actor))


class CheckPhotoViewSet(_OfVisibleChecks):
    """`/checks/{id}/photos/` and `/check-photos/{id}/`"""

    serializer_class = CheckPhotoRecord
    parser_classes = (PhotoParser,)
    bodies = {"create": NewPhoto}
    answers = {"create": (RECORDING, CheckPhotoRecord)}
    summaries = {
        "list": _("The photos of a height check, oldest first."),
        "retrieve": _("One photo of a height check: what is known of it, and where the picture is."),
        "create": _("Add a picture to a height check. Place, time and device are removed from it."),
    }
    examples = examples.PHOTOS

    @cached_property
    def check(self) -> HeightCheck:
        """The check that the address names, where the actor may see it."""
        found = visible_height_checks(self.actor).filter(pk=self.kwargs["check_id"]).first()
        if found is None:
            raise NotFound
        return found

    def get_queryset(self) -> QuerySet[HeightCheckPhoto]:
        rows = super().get_queryset()
        is_of_one = "check_id" in self.kwargs and not getattr(self, "swagger_fake_view", False)
        return rows.filter(height_check=self.check) if is_of_one else rows

    def documents(self, rows: Sequence[HeightCheckPhoto]) -> list[Shown]:
        return [check_photo_document(row) for row in rows]

    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        check = self.check
        body = self.body(Permission.RECORD_CHECKS)
        upload: UploadedFile[bytes] = body.pop("file")
        require_not_too_large(upload)
        return self.record(
            body,
            lambda record_id, _body: check_photo_add(
                actor=self.actor, record_id=record_id, check_id=check.pk, file=upload
            ),
            height_check=check.pk,
            sha256=digest_of(upload),
        )


class CheckPhotoFileViewSet(_OfVisibleChecks, PhotoFileViewSet):  # type: ignore[misc]  # of another model
    """`/check-photos/{id}/file/`"""

    summaries = {"retrieve": _("The picture itself, of a height check.")}
