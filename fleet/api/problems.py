"""Every refusal of the API as RFC 9457 problem details.

`exception_handler` is Django REST framework's hook; `problem_for_exception` serves whoever else has to turn
an exception into an answer (the owner of the request's transaction, for constraints checked at commit).
Only this package knows HTTP; services raise `fleet.errors`.
"""

from __future__ import annotations

import json
import logging
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import TYPE_CHECKING, Any, Final

from django.apps import apps
from django.core import exceptions as django_exceptions
from django.core.exceptions import NON_FIELD_ERRORS
from django.core.serializers.json import DjangoJSONEncoder
from django.db import DataError, Error, IntegrityError, InterfaceError, OperationalError
from django.db.models import ProtectedError, RestrictedError
from django.db.models.constraints import BaseConstraint
from django.http import Http404, HttpResponse
from django.http.multipartparser import MultiPartParserError
from django.http.request import RawPostDataException, UnreadablePostError
from django.utils.translation import gettext_lazy as _
from psycopg import errors as psycopg_errors
from rest_framework import exceptions as drf
from rest_framework.settings import api_settings

from fleet import errors

from .problem_types import PROBLEM_TYPES, ProblemType

if TYPE_CHECKING:
    from django.utils.functional import _StrOrPromise

logger = logging.getLogger(__name__)

PROBLEM_MEDIA_TYPE: Final = "application/problem+json"


_STATUS_OF_ERROR: Final[tuple[tuple[type[errors.LevelbookError], HTTPStatus], ...]] = (
    (errors.Invalid, HTTPStatus.UNPROCESSABLE_ENTITY),
    (errors.NotAuthenticated, HTTPStatus.UNAUTHORIZED),
    (errors.Forbidden, HTTPStatus.FORBIDDEN),
    (errors.NotFound, HTTPStatus.NOT_FOUND),
    (errors.StaleVersion, HTTPStatus.PRECONDITION_FAILED),
    (errors.VersionRequired, HTTPStatus.PRECONDITION_REQUIRED),
    (errors.TooMany, HTTPStatus.TOO_MANY_REQUESTS),
    (errors.Unavailable, HTTPStatus.SERVICE_UNAVAILABLE),
    (errors.LevelbookError, HTTPStatus.CONFLICT),
)

_DRF_STATUS: Final[tuple[tuple[type[drf.APIException], HTTPStatus], ...]] = (
    (drf.AuthenticationFailed, HTTPStatus.UNAUTHORIZED),
    (drf.NotAuthenticated, HTTPStatus.UNAUTHORIZED),
    (drf.ValidationError, HTTPStatus.UNPROCESSABLE_ENTITY),
)
"""Framework exceptions whose own status is not the one we give; the others know theirs."""

_DJANGO_STATUS: Final[tuple[tuple[type[Exception], HTTPStatus], ...]] = (
    (Http404, HTTPStatus.NOT_FOUND),
    (django_exceptions.PermissionDenied, HTTPStatus.FORBIDDEN),
    (django_exceptions.RequestDataTooBig, HTTPStatus.REQUEST_ENTITY_TOO_LARGE),
    (django_exceptions.SuspiciousOperation, HTTPStatus.BAD_REQUEST),
    (MultiPartParserError, HTTPStatus.BAD_REQUEST),
    (UnreadablePostError, HTTPStatus.BAD_REQUEST),
    (RawPostDataException, HTTPStatus.BAD_REQUEST),
    (UnicodeError, HTTPStatus.BAD_REQUEST),
    (ProtectedError, HTTPStatus.CONFLICT),
    (RestrictedError, HTTPStatus.CONFLICT),
    (DataError, HTTPStatus.UNPROCESSABLE_ENTITY),
    (OperationalError, HTTPStatus.SERVICE_UNAVAILABLE),
    (InterfaceError, HTTPStatus.SERVICE_UNAVAILABLE),
)


@dataclass(frozen=True)
class Problem:
    """One problem on its way out."""

    status: HTTPStatus
    code: str | None = None
    detail: _StrOrPromise | None = None
    errors: tuple[Mapping[str, Any], ...] = ()
    extensions: Mapping[str, Any] = field(default_factory=dict)
    headers: Mapping[str, str] = field(default_factory=dict)

    def members(self) -> dict[str, Any]:
        """The JSON members, in the order that people read them."""
        kind = PROBLEM_TYPES.get(self.status) or _unlisted(self.status)
        body: dict[str, Any] = {
            "type": self.code or kind.slug,
            "title": str(kind.title),
            "status": int(self.status),
            "detail": str(self.detail or kind.detail),
            **self.extensions,
        }
        return {**body, "errors": list(self.errors)} if self.errors else body

    def response(self) -> ProblemResponse:
        return ProblemResponse(self)


class ProblemResponse(HttpResponse):
    """Already rendered, so that no content negotiation can fail on the way out of an error."""

    def __init__(self, problem: Problem) -> None:
        headers = {"Cache-Control": "no-store", **_default_headers(problem.status), **problem.headers}
        body = json.dumps(problem.members(), cls=DjangoJSONEncoder, ensure_ascii=True)
        super().__init__(body, content_type=PROBLEM_MEDIA_TYPE, status=problem.status, headers=headers)
        self.problem = problem
        self.data = problem.members()


def exception_handler(exc: Exception, context: Mapping[str, Any]) -> ProblemResponse | None:
    """Django REST framework's `EXCEPTION_HANDLER`. None leaves a real fault to Django, which logs it."""
    problem = problem_for_exception(exc, in_query=_has_no_body(context.get("request")))
    return problem.response() if problem else None


def problem_for_exception(exc: Exception, *, in_query: bool = False) -> Problem | None:
    """What to answer to this exception; None when it is a fault of ours.

    `in_query` says that what was validated came in the query string: errors then name the parameter.
    """
    match exc:
        case errors.LevelbookError():
            return _domain_problem(exc, in_query=in_query)
        case drf.APIException():
            return _framework_problem(exc, in_query=in_query)
        case django_exceptions.ValidationError():
            return _invalid(_django_errors(exc))
        case IntegrityError():
            return _constraint_problem(exc)
    for kind, status in _DJANGO_STATUS:
        if isinstance(exc, kind):
            return _django_problem(exc, status)
    return None


def _default_headers(status: HTTPStatus) -> dict[str, str]:
    if status == HTTPStatus.UNAUTHORIZED:
        return {"WWW-Authenticate": 'Bearer realm="levelbook"'}
    if status == HTTPStatus.TOO_MANY_REQUESTS:
        return {"Retry-After": str(errors.TooMany.default_retry_after_s)}
    if status == HTTPStatus.SERVICE_UNAVAILABLE:
        return {"Retry-After": str(errors.Unavailable.default_retry_after_s)}
    return {}


def _unlisted(status: HTTPStatus) -> ProblemType:
    """A status that only foreign middleware gives; RFC 9457 names such problems about:blank."""
    return ProblemType("about:blank", status, status.phrase, status.description or status.phrase)


def _has_no_body(request: Any) -> bool:
    return getattr(request, "method", None) in ("GET", "HEAD", "DELETE", "OPTIONS")


def _invalid(found: Iterator[errors.FieldError], *, in_query: bool = False) -> Problem:
    members = tuple(_query_member(e) if in_query else _member(e) for e in found)
    return Problem(HTTPStatus.UNPROCESSABLE_ENTITY, errors=members)


def _member(error: errors.FieldError) -> dict[str, str]:
    detail = f"{error.detail} {error.to_programs}" if error.to_programs else str(error.detail)
    return {"pointer": error.pointer, "code": error.code, "detail": detail}


def _query_member(error: errors.FieldError) -> dict[str, str]:
    """A pointer points into a body; here there is none, so the parameter is named besides."""
    parameter = error.pointer.removeprefix("/").partition("/")[0]
    named = {"parameter": parameter} if parameter else {}
    return {"pointer": "", **named, "code": error.code, "detail": str(error.detail)}


def _domain_problem(exc: errors.LevelbookError, *, in_query: bool) -> Problem:
    status = next(status for kind, status in _STATUS_OF_ERROR if isinstance(exc, kind))
    if isinstance(exc, errors.Invalid):
        return _invalid(iter(exc.errors), in_query=in_query)
    next_step = getattr(exc, "next_step", None)
    retry_after_s = getattr(exc, "retry_after_s", None)
    return Problem(
        status,
        code=exc.code,
        detail=exc.detail,
        errors=() if exc.pointer is None else (_member(errors.FieldError(exc.pointer, exc.code, exc.detail)),),
        extensions={"next_step": next_step} if next_step else {},
        headers={} if retry_after_s is None else {"Retry-After": str(retry_after_s)},
    )


def _framework_problem(exc: drf.APIException, *, in_query: bool) -> Problem | None:
    if isinstance(exc, drf.ValidationError):
        return _invalid(_drf_errors(exc.detail, ""), in_query=in_query)
    own_status = HTTPStatus(exc.status_code)
    status = next((status for kind, status in _DRF_STATUS if isinstance(exc, kind)), own_status)
    if status == HTTPStatus.INTERNAL_SERVER_ERROR:
        return None
    return Problem(
        status,
        detail=_framework_detail(exc),
        errors=tuple(_member(e) for e in getattr(exc, "field_errors", ())),
        headers=_framework_headers(exc),
    )


def _framework_detail(exc: drf.APIException) -> str | None:
    """The framework's stock sentences say what, but not what to do; ours are used instead."""
    is_stock = isinstance(exc, drf.MethodNotAllowed) or exc.detail == str(exc.default_detail)
    return exc.detail if isinstance(exc.detail, str) and not is_stock else None


def _framework_headers(exc: drf.APIException) -> dict[str, str]:
    wait = getattr(exc, "wait", None)
    return {} if wait is None else {"Retry-After": str(max(1, math.ceil(wait)))}


def _drf_errors(detail: Any, pointer: str) -> Iterator[errors.FieldError]:
    """The framework's nested error details, flattened; lists are messages or one entry for each item."""
    if isinstance(detail, Mapping):
        for key, value in detail.items():
            inner = pointer if key == api_settings.NON_FIELD_ERRORS_KEY else f"{pointer}/{_escaped(str(key))}"
            yield from _drf_errors(value, inner)
    elif isinstance(detail, list):
        for index, value in enumerate(detail):
            is_message = isinstance(value, str)
            yield from _drf_errors(value, pointer if is_message else f"{pointer}/{index}")
    else:
        yield errors.FieldError(pointer, getattr(detail, "code", None) or "invalid", str(detail))


def _escaped(reference_token: str) -> str:
    return reference_token.replace("~", "~0").replace("/", "~1")


def _django_errors(exc: django_exceptions.ValidationError) -> Iterator[errors.FieldError]:
    by_field = exc.error_dict if hasattr(exc, "error_dict") else {NON_FIELD_ERRORS: exc.error_list}
    for name, found in by_field.items():
        pointer = "" if name == NON_FIELD_ERRORS else f"/{_escaped(name)}"
        for error in found:
            yield errors.FieldError(pointer, error.code or "invalid", " ".join(error.messages))


_DJANGO_DETAILS: Final[tuple[tuple[type[Exception], _StrOrPromise], ...]] = (
    (UnicodeError, _("The request holds text that is not valid Unicode. Send UTF-8.")),
    (ProtectedError, _("Other records refer to this; it cannot be removed.")),
    (RestrictedError, _("Other records refer to this; it cannot be removed.")),
    (
        DataError,
        _(
            "A value does not fit where it is to be stored (too large, too long, or with a NUL character). "
            "Nothing was stored."
        ),
    ),
)


def _django_problem(exc: Exception, status: HTTPStatus) -> Problem:
    if status == HTTPStatus.SERVICE_UNAVAILABLE:
        logger.error("database not available", exc_info=exc)
    elif isinstance(exc, Error):
        logger.warning("database refused a value that validation let through", exc_info=exc)
    detail = next((detail for kind, detail in _DJANGO_DETAILS if isinstance(exc, kind)), None)
    return Problem(status, detail=detail)


_CONSTRAINT_STATUS: Final[tuple[tuple[type[psycopg_errors.Error], HTTPStatus], ...]] = (
    (psycopg_errors.CheckViolation, HTTPStatus.UNPROCESSABLE_ENTITY),
    (psycopg_errors.NotNullViolation, HTTPStatus.UNPROCESSABLE_ENTITY),
)
"""Violations by the row alone; the others (unique, foreign key, exclusion) depend on other rows."""


def _constraint_problem(exc: IntegrityError) -> Problem:
    cause = exc.__cause__
    name = cause.diag.constraint_name if isinstance(cause, psycopg_errors.Error) else None
    message = _constraint_message(name) if name else None
    status = next((s for kind, s in _CONSTRAINT_STATUS if isinstance(cause, kind)), HTTPStatus.CONFLICT)
    if message is None:
        logger.warning("violation of a constraint without a message: %s", name, exc_info=exc)
        return Problem(HTTPStatus.CONFLICT, detail=_("This contradicts other records. Nothing was stored."))
    code = "constraint" if status == HTTPStatus.UNPROCESSABLE_ENTITY else None
    found = () if code is None else (_member(errors.FieldError("", code, message)),)
    return Problem(status, detail=message, errors=found, extensions={"constraint": name})


def _constraint_message(name: str) -> _StrOrPromise | None:
    """From the registry, else from the model that declares the constraint."""
    registered = errors.registered_constraint_message(name)
    if registered is not None:
        return registered
    for model in apps.get_models():
        for constraint in model._meta.constraints:
            if constraint.name == name and constraint.violation_error_message:
                return _own_message(constraint)
    return None


def _own_message(constraint: BaseConstraint) -> _StrOrPromise | None:
    """Django's default only repeats the constraint's name, which tells people nothing."""
    message = constraint.violation_error_message
    return None if message == BaseConstraint.default_violation_error_message else message
