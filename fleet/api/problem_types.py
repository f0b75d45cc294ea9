"""The kinds of problems that the interface tells of (RFC 9457), one to a status."""

from __future__ import annotations

from dataclasses import dataclass
from http import HTTPStatus
from typing import TYPE_CHECKING, Final

from django.utils.translation import gettext_lazy as _

from fleet import errors

if TYPE_CHECKING:
    from django.utils.functional import _StrOrPromise


@dataclass(frozen=True)
class ProblemType:
    """One kind of problem: what `type`, `status` and `title` say, and the detail where nobody knows more."""

    slug: str
    status: HTTPStatus
    title: _StrOrPromise
    detail: _StrOrPromise


PROBLEM_TYPES: Final[dict[HTTPStatus, ProblemType]] = {
    problem_type.status: problem_type
    for problem_type in (
        ProblemType(
            "malformed",
            HTTPStatus.BAD_REQUEST,
            _("The request cannot be read"),
            _("The request is not well-formed. Correct it before sending it again."),
        ),
        ProblemType(
            "not_authenticated",
            HTTPStatus.UNAUTHORIZED,
            _("Not signed in"),
            errors.NotAuthenticated.default_detail,
        ),
        ProblemType("forbidden", HTTPStatus.FORBIDDEN, _("Not allowed"), errors.Forbidden.default_detail),
        ProblemType("not_found", HTTPStatus.NOT_FOUND, _("Not found"), errors.NotFound.default_detail),
        ProblemType(
            "method_not_allowed",
            HTTPStatus.METHOD_NOT_ALLOWED,
            _("This cannot be done here"),
            _("This address does not take this method. 'Allow' lists those it takes."),
        ),
        ProblemType(
            "not_acceptable",
            HTTPStatus.NOT_ACCEPTABLE,
            _("No such representation"),
            _("The answer exists only in other media types than 'Accept' names. Ask for application/json."),
        ),
        ProblemType(
            "body_missing",
            HTTPStatus.REQUEST_TIMEOUT,
            _("The body did not arrive"),
            _("The rest of the body did not come in time. Nothing was stored; send the request again."),
        ),
        ProblemType(
            "conflict",
            HTTPStatus.CONFLICT,
            _("Does not fit the present state"),
            errors.Conflict.default_detail,
        ),
        ProblemType(
            "stale_version",
            HTTPStatus.PRECONDITION_FAILED,
            _("Changed in the meantime"),
            errors.StaleVersion.default_detail,
        ),
        ProblemType(
            "length_required",
            HTTPStatus.LENGTH_REQUIRED,
            _("Length missing"),
            _("Send the body in one piece, with 'Content-Length'."),
        ),
        ProblemType(
            "too_large",
            HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
            _("Too large"),
            _("The request is larger than the service takes. Send less at once."),
        ),
        ProblemType(
            "unsupported_media_type",
            HTTPStatus.UNSUPPORTED_MEDIA_TYPE,
            _("Media type not understood"),
            _("Send application/json in UTF-8, and files as multipart/form-data where the call takes them."),
        ),
        ProblemType("invalid", HTTPStatus.UNPROCESSABLE_ENTITY, _("Not valid"), errors.Invalid.default_detail),
        ProblemType(
            "version_required",
            HTTPStatus.PRECONDITION_REQUIRED,
            _("Version missing"),
            errors.VersionRequired.default_detail,
        ),
        ProblemType(
            "too_many_requests",
            HTTPStatus.TOO_MANY_REQUESTS,
            _("Too many requests"),
            errors.TooMany.default_detail,
        ),
        ProblemType(
            "internal_error",
            HTTPStatus.INTERNAL_SERVER_ERROR,
            _("The service failed"),
            _("The service failed and has noted it. What you sent was not stored; you may send it again."),
        ),
        ProblemType(
            "unavailable",
            HTTPStatus.SERVICE_UNAVAILABLE,
            _("Not available at the moment"),
            errors.Unavailable.default_detail,
        ),
    )
}
