"""Problem details where Django REST framework is not reached: unreadable requests, middleware, unknown paths.

`ReadableRequests` wraps the WSGI application, whose place `refuse` takes where a body cannot be had;
`ApiProblemMiddleware` comes first in MIDDLEWARE, the four handlers are for the root URL configuration.
"""

from __future__ import annotations

import sys
from http import HTTPStatus
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import parse_qsl

from django.conf import settings
from django.http import HttpResponse
from django.urls import is_valid_path
from django.utils.http import parse_header_parameters
from django.utils.translation import gettext_lazy as _
from django.views import defaults

from .problems import PROBLEM_MEDIA_TYPE, Problem, problem_for_exception

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from wsgiref.types import StartResponse, WSGIApplication, WSGIEnvironment

    from django.http import HttpRequest
    from django.http.response import HttpResponseBase
    from django.utils.functional import _StrOrPromise

API_PREFIX: Final = "/api/"
_KEPT_HEADERS: Final = ("Allow", "WWW-Authenticate", "Retry-After", "Vary")
_UTF8_NAMES: Final = frozenset({"utf-8", "utf8"})


class ReadableRequests:
    """WSGI wrapper that refuses requests which Django could not even make a request object of.

    Django decodes the query with the charset that `Content-Type` names before any middleware runs, so an
    unknown charset, or too many fields, would end in the server's own error page.
    """

    def __init__(self, application: WSGIApplication) -> None:
        self.application = application

    def __call__(self, environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
        problem = _unreadable(environ)
        if problem is None:
            return self.application(environ, start_response)
        return refuse(problem, environ, start_response)


def refuse(problem: Problem, environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
    """The WSGI application that answers with this problem whatever it is asked."""
    response = _refusal(environ, problem)
    response.headers["Content-Length"] = str(len(response.content))
    start_response(f"{response.status_code} {response.reason_phrase}", list(response.items()))
    return [response.content]


class ApiProblemMiddleware:
    """First in, last out: nothing under /api/ answers with a page, whatever went wrong and wherever."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        if not _is_api(request.path_info):
            return self.get_response(request)
        refused = _missing_slash(request)
        return refused.response() if refused else _as_problem(self.get_response(request))


def bad_request(request: HttpRequest, exception: Exception) -> HttpResponse:
    """`handler400`"""
    if _is_api(request.path_info):
        return Problem(HTTPStatus.BAD_REQUEST).response()
    return defaults.bad_request(request, exception)


def permission_denied(request: HttpRequest, exception: Exception) -> HttpResponse:
    """`handler403`"""
    if _is_api(request.path_info):
        return Problem(HTTPStatus.FORBIDDEN).response()
    return defaults.permission_denied(request, exception)


def not_found(request: HttpRequest, exception: Exception) -> HttpResponse:
    """`handler404`"""
    if _is_api(request.path_info):
        return Problem(HTTPStatus.NOT_FOUND).response()
    return defaults.page_not_found(request, exception)


def server_error(request: HttpRequest) -> HttpResponse:
    """`handler500`, called while the exception is handled.

    What middleware raised never passed the framework's exception handler: no database when the token is
    looked up, a constraint that is only checked at commit.
    """
    if not _is_api(request.path_info):
        return defaults.server_error(request)
    exc = sys.exception()
    problem = problem_for_exception(exc) if isinstance(exc, Exception) else None
    return (problem or Problem(HTTPStatus.INTERNAL_SERVER_ERROR)).response()


def _is_api(path: str) -> bool:
    return path.startswith(API_PREFIX)


def _refusal(environ: WSGIEnvironment, problem: Problem) -> HttpResponse:
    if _is_api(environ.get("PATH_INFO", "")):
        return problem.response()
    detail, headers = problem.members()["detail"], problem.headers
    return HttpResponse(detail, status=problem.status, headers=headers, content_type="text/plain; charset=utf-8")


def _unreadable(environ: WSGIEnvironment) -> Problem | None:
    if environ.get("HTTP_TRANSFER_ENCODING"):
        # WSGI knows no end of such a body (PEP 3333): it would be taken for an empty one.
        return Problem(HTTPStatus.LENGTH_REQUIRED)
    if not _is_text(environ.get("PATH_INFO", "")):
        return _malformed(_("The address is not valid UTF-8 text, or holds a NUL character."))
    if not _is_query(environ.get("QUERY_STRING", "")):
        return _malformed(_("The query string is not valid UTF-8 text, holds a NUL character, or has too many fields."))
    try:
        _media_type, parameters = parse_header_parameters(environ.get("CONTENT_TYPE", ""))
    except (ValueError, LookupError):
        return _malformed(_("'Content-Type' cannot be read."))
    if parameters.get("charset", "utf-8").lower() not in _UTF8_NAMES:
        detail = _("Only UTF-8 is understood; leave the charset out of 'Content-Type' or say utf-8.")
        return Problem(HTTPStatus.UNSUPPORTED_MEDIA_TYPE, detail=detail)
    return None


def _malformed(detail: _StrOrPromise) -> Problem:
    return Problem(HTTPStatus.BAD_REQUEST, detail=detail)


def _is_text(wsgi_text: str) -> bool:
    try:
        return "\0" not in _decoded(wsgi_text)
    except UnicodeError:
        return False


def _decoded(wsgi_text: str) -> str:
    """WSGI hands bytes over as Latin-1 text (PEP 3333)."""
    return wsgi_text.encode("latin-1").decode()


def _is_query(wsgi_text: str) -> bool:
    try:
        pairs = parse_qsl(
            _decoded(wsgi_text),
            keep_blank_values=True,
            errors="strict",
            max_num_fields=settings.DATA_UPLOAD_MAX_NUMBER_FIELDS,
        )
    except ValueError:  # a UnicodeError is one
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
