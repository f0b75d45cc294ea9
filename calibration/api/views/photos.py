"""Photos of rounds and writes."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from typing import Any
from uuid import UUID

from django.core.files.storage import default_storage
from django.core.files.uploadedfile import UploadedFile
from django.db.models import QuerySet
from django.http import FileResponse
from django.utils.translation import gettext_lazy as _
from drf_spectacular.types import OpenApiTypes
from rest_framework.negotiation import BaseContentNegotiation
from rest_framework.renderers import BaseRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from calibration.models import HeightCheckPhoto, Photo, Round, Write
from calibration.services.photos import photo_add
from fleet.api.parsers import BodyTooLarge
from fleet.errors import NotFound
from fleet.permissions import Permission

from .. import examples
from ..documents import Shown, photo_document
from ..openapi import ACTING, RECORDING
from ..parsers import LARGEST_PHOTO_BYTES, PhotoParser
from ..serializers.rounds import MEDIA_TYPES, NewPhoto, PhotoRecord
from .base import RecordsViewSet

OWNERS: dict[str, type[Round] | type[Write]] = {"round_id": Round, "write_id": Write}


class PhotoViewSet(RecordsViewSet):
    """`/rounds/{id}/photos/`, `/writes/{id}/photos/` and `/photos/{id}/`"""

    model = Photo
    serializer_class = PhotoRecord
    parser_classes = (PhotoParser,)
    bodies = {"create": NewPhoto}
    answers = {"create": (RECORDING, PhotoRecord)}
    summaries = {
        "list": _("The photos of a round or a write, oldest first."),
        "retrieve": _("One photo: what is known of it, and where the picture is."),
        "create": _("Add a picture of tape, tool screen or damage. Place, time and device are removed from it."),
    }
    examples = examples.PHOTOS

    @property
    def owner(self) -> tuple[str, UUID]:
        """Which record the address names, where the actor may see it."""
        name = next(name for name in OWNERS if name in self.kwargs)
        rows = self.in_visible_jobs(OWNERS[name].objects.all())
        if not rows.filter(pk=self.kwargs[name]).exists():
            raise NotFound
        return name, self.kwargs[name]

    def get_queryset(self) -> QuerySet[Photo]:
        if not getattr(self, "swagger_fake_view", False) and self.kwargs.keys() & OWNERS.keys():
            name, owner_id = self.owner
            return Photo.objects.filter(**{name: owner_id})
        return super().get_queryset()

    def documents(self, rows: Sequence[Photo]) -> list[Shown]:
        return [photo_document(row) for row in rows]

    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        name, owner_id = self.owner
        body = self.body(Permission.RECORD_FACTS)
        upload: UploadedFile[bytes] = body.pop("file")
        require_not_too_large(upload)
        about: dict[str, Any] = {name: owner_id, "sha256": digest_of(upload)}
        return self.record(
            body,
            lambda record_id, _body: photo_add(actor=self.actor, record_id=record_id, file=upload, **{name: owner_id}),
            **about,
        )


def require_not_too_large(upload: UploadedFile[bytes]) -> None:
    if upload.size is None or upload.size > LARGEST_PHOTO_BYTES:
        raise BodyTooLarge(LARGEST_PHOTO_BYTES)


def digest_of(upload: UploadedFile[bytes]) -> str:
    """SHA-256 of what was sent."""
    digest = hashlib.sha256()
    for chunk in upload.chunks():
        digest.update(chunk)
    upload.seek(0)
    return digest.hexdigest()


class _AnyPicture(BaseContentNegotiation):
    """A picture has the type that it has, whatever the client would rather have."""

    def select_renderer(
        self,
        request: Request,
        renderers: Iterable[BaseRenderer],
        format_suffix: str | None = None,
    ) -> tuple[BaseRenderer, str]:
        first = next(iter(renderers))
        return first, str(first.media_type)


class PhotoFileViewSet(RecordsViewSet):
    """`/photos/{id}/file/`"""

    model = Photo
    serializer_class = PhotoRecord
    content_negotiation_class = _AnyPicture
    answers = {"retrieve": (ACTING, {(200, each): OpenApiTypes.BINARY for each in MEDIA_TYPES})}
    summaries = {"retrieve": _("The picture itself.")}

    def retrieve(self, request: Request, *args: Any, **kwargs: Any) -> FileResponse:  # type: ignore[override]
        photo: Photo | HeightCheckPhoto = self.get_object()
        try:
            content = default_storage.open(photo.path)
        except FileNotFoundError:
            raise NotFound(_("The record is there, but its picture is missing from the file store.")) from None
        response = FileResponse(content, content_type=photo.media_type)
        response["Cache-Control"] = "private, max-age=31536000, immutable"
        return response
