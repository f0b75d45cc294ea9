"""Optimistic locking over HTTP: `ETag: "<version>"` on answers, `If-Match` on changes (RFC 9110, 13.1.1).

The view reads `expected_versions(request)` and hands it to the service, which calls
`StaleVersion.raise_unless(current=row.version, expected=…)` once it holds the row lock.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

from django.utils.translation import gettext_lazy as _
from rest_framework.exceptions import ParseError
from rest_framework.views import APIView

from fleet.errors import StaleVersion, VersionRequired

if TYPE_CHECKING:
    from rest_framework.request import Request
    from rest_framework.response import Response

_ENTITY_TAG: Final = r'(?:W/)?"[\x21\x23-\x7e\x80-\xff]*"'
_LIST: Final = re.compile(rf"[ \t]*{_ENTITY_TAG}(?:[ \t]*,[ \t]*{_ENTITY_TAG})*[ \t]*")
_STRONG_VERSION: Final = re.compile(r'(?<!W/)"(\d{1,18})"', re.ASCII)
_LONGEST_HEADER: Final = 1000


def etag_of(version: int) -> str:
    """
    >>> etag_of(3)
    '"3"'
    """
    return f'"{version}"'


def expected_versions(request: Request) -> frozenset[int]:
    """The versions that the client says it is changing; almost always one.

    Raises `VersionRequired` without a usable `If-Match`, `StaleVersion` where it can match no version
    of ours, and a parse error where it is no list of entity tags.
    """
    header = request.headers.get("If-Match", "").strip()
    if not header:
        raise VersionRequired
    if header == "*":
        raise VersionRequired(_("'If-Match: *' protects no one's work. Send the ETag of the version you read."))
    if len(header) > _LONGEST_HEADER or not _LIST.fullmatch(header):
        raise ParseError(_("'If-Match' must be an ETag as you were given it, with its quotation marks: \"3\"."))
    versions = frozenset(map(int, _STRONG_VERSION.findall(header)))
    if not versions:
        raise StaleVersion(_weak_or_foreign(header))
    return versions


def _weak_or_foreign(header: str) -> Any:
    if "W/" in header:
        return _("A weak ETag (W/…) never matches in 'If-Match'. Send the strong one, without W/.")
    return None


class ETagMixin(APIView):
    """Gives `ETag` to every answer whose body has a whole-number `version`."""

    def finalize_response(self, request: Request, response: Response, *args: Any, **kwargs: Any) -> Response:
        response = super().finalize_response(request, response, *args, **kwargs)
        body = getattr(response, "data", None)
        version = body.get("version") if isinstance(body, Mapping) else None
        if response.status_code < 300 and type(version) is int:
            response.headers["ETag"] = etag_of(version)
        return response
