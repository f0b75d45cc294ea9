"""Problem details where Django REST framework is not reached: middleware, unknown paths, unreadable requests.

`ApiProblemMiddleware` comes first in MIDDLEWARE. It refuses requests that nothing behind it could read, and
turns every error page under /api/ into a problem. The four handlers are for the root URL configuration.
"""

from __future__ import annotations

from collections.abc import Callable
from http import HTTPStatus
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import parse_qsl

from django.conf import settings
from django.core.handlers.wsgi import get_bytes_from_wsgi
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.urls import is_valid_path
from django.utils.translation import gettext_lazy as _
from django.views import defaults

from .problems import PROBLEM_MEDIA_TYPE, Problem

if TYPE_CHECKING:
    from django.utils.functional import _StrOrPromise

API_PREFIX: Final = "/api/"
_KEPT_HEADERS: Final = ("Allow", "WWW-Authenticate", "Retry-After", "Vary", "Set-Cookie")
_UTF8_NAMES: Final = frozenset({"utf-8", "utf8"})


class ApiProblemMiddleware:
    """First in, last out: nothing under /api/ answers with a page, whatever went wrong and wherever."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        unreadable = _unreadable(request)
        if unreadable is not None:
            return unreadable.response() if _is_api(request) else defaults.bad_request(request, ValueError())
        if not _is_api(request):
            return self.get_response(request)
        refused = _missing_slash(request)
        return refused.response() if refused else _as_problem(self.get_response(request))


def bad_request(request: HttpRequest, exception: Exception) -> HttpResponse:
    """`handler400`"""
    if _is_api(request):
        return Problem(HTTPStatus.BAD_REQUEST).response()
    return defaults.bad_request(request, exception)


def permission_denied(request: HttpRequest, exception: Exception) -> HttpResponse:
    """`handler403`"""
    if _is_api(request):
        return Problem(HTTPStatus.FORBIDDEN).response()
    return defaults.permission_denied(request, exception)


def not_found(request: HttpRequest, exception: Exception) -> HttpResponse:
    """`handler404`"""
    if _is_api(request):
        return Problem(HTTPStatus.NOT_FOUND).response()
    return defaults.page_not_found(request, exception)


def server_error(request: HttpRequest) -> HttpResponse:
    """`handler500`"""
    if _is_api(request):
        return Problem(HTTPStatus.INTERNAL_SERVER_ERROR).response()
    return defaults.server_error(request)


def _is_api(request: HttpRequest) -> bool:
    return request.path_info.startswith(API_PREFIX)


def _unreadable(request: HttpRequest) -> Problem | None:
    """What no view could make sense of: Django would replace such bytes or fail deep inside."""
    if not _is_text(get_bytes_from_wsgi(request.META, "PATH_INFO", "/")):
        return _malformed(_("The address is not valid UTF-8 text, or holds a NUL character."))
    if not _is_query(get_bytes_from_wsgi(request.META, "QUERY_STRING", "")):
        return _malformed(_("The query string is not valid UTF-8 text, holds a NUL character, or has too many fields."))
    charset = (request.content_params or {}).get("charset", "utf-8")
    if charset.lower() not in _UTF8_NAMES:
        detail = _("Only UTF-8 is understood; leave the charset out of 'Content-Type' or say utf-8.")
        return Problem(HTTPStatus.UNSUPPORTED_MEDIA_TYPE, detail=detail)
    return None


def _malformed(detail: _StrOrPromise) -> Problem:
    return Problem(HTTPStatus.BAD_REQUEST, detail=detail)


def _is_text(raw: bytes) -> bool:
    try:
        return "\0" not in raw.decode()
    except UnicodeDecodeError:
        return False


def _is_query(raw: bytes) -> bool:
    try:
        pairs = parse_qsl(
            raw.decode(),
            keep_blank_values=True,
            errors="strict",
            max_num_fields=settings.DATA_UPLOAD_MAX_NUMBER_FIELDS,
        )
    except ValueError:  # UnicodeDecodeError is one
        return False
    return not any("\0" in name or "\0" in value for name, value in pairs)


def _missing_slash(request: HttpRequest) -> Problem | None:
    """A redirect would turn a write into a read, so say what is wrong instead."""
    path = request.path_info
    if path.endswith("/") or request.method in ("GET", "HEAD") or is_valid_path(path):
        return None
    if not is_valid_path(f"{path}/"):
        return None
    return Problem(HTTPStatus.NOT_FOUND, detail=_("Addresses of this interface end in a slash: add one."))


def _as_problem(response: HttpResponseBase) -> HttpResponseBase:
    media_type = response.headers.get("Content-Type", "").partition(";")[0].strip().lower()
    if response.status_code < 400 or media_type in (PROBLEM_MEDIA_TYPE, "application/json"):
        return response
    headers: dict[str, Any] = {name: response.headers[name] for name in _KEPT_HEADERS if name in response.headers}
    problem = Problem(HTTPStatus(response.status_code), headers=headers).response()
    problem.cookies = response.cookies
    response.close()
    return problem
