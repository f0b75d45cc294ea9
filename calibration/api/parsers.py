"""Multipart bodies with one picture, refused by size before they are read."""

from __future__ import annotations

from collections.abc import Mapping
from typing import IO, Any, Final

from rest_framework.parsers import DataAndFiles, MultiPartParser

from fleet.api.parsers import BodyTooLarge

LARGEST_PHOTO_BYTES: Final = 10_000_000
FORM_BYTES: Final = 20_000
"""Boundaries, headers and the other fields of the form."""


class PhotoParser(MultiPartParser):
    """`multipart/form-data` of at most one picture's size.

    A body without a stated length is empty to a WSGI server, so that the stated length bounds what is read.
    """

    def parse(
        self, stream: IO[Any], media_type: str | None = None, parser_context: Mapping[str, Any] | None = None
    ) -> DataAndFiles[Any, Any]:
        request = (parser_context or {})["request"]
        if _stated_length(request.META.get("CONTENT_LENGTH")) > LARGEST_PHOTO_BYTES + FORM_BYTES:
            raise BodyTooLarge(LARGEST_PHOTO_BYTES)
        return super().parse(stream, media_type, parser_context)


def _stated_length(header: str | None) -> int:
    return int(header) if header and header.isdecimal() else 0
