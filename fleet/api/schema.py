"""What OpenAPI says about the conventions that every operation shares: problems, versions and strict fields.

`document_conventions` is a post-processing hook of drf-spectacular (in SPECTACULAR_SETTINGS, after the
enumeration hook). The extension below is found by importing this module (`deploy.urls`).
"""

from __future__ import annotations

from http import HTTPStatus
from typing import TYPE_CHECKING, Any, Final

from django.utils.translation import gettext_lazy as _
from drf_spectacular.extensions import OpenApiSerializerExtension, OpenApiSerializerFieldExtension

from fleet.middleware import DEVICE_TIME_HEADER, EPOCH_HEADER

from . import fields
from .conventions import CONVENTIONS
from .problem_types import PROBLEM_TYPES
from .problems import PROBLEM_MEDIA_TYPE, Problem

if TYPE_CHECKING:
    from collections.abc import Callable

    from drf_spectacular.openapi import AutoSchema
    from drf_spectacular.utils import Direction

_ALWAYS: Final = (
    HTTPStatus.BAD_REQUEST,
    HTTPStatus.FORBIDDEN,
    HTTPStatus.NOT_FOUND,
    HTTPStatus.METHOD_NOT_ALLOWED,
    HTTPStatus.NOT_ACCEPTABLE,
    HTTPStatus.UNSUPPORTED_MEDIA_TYPE,
    HTTPStatus.UNPROCESSABLE_ENTITY,
    HTTPStatus.TOO_MANY_REQUESTS,
    HTTPStatus.SERVICE_UNAVAILABLE,
)
_WRITES: Final = (
    HTTPStatus.REQUEST_TIMEOUT,
    HTTPStatus.CONFLICT,
    HTTPStatus.LENGTH_REQUIRED,
    HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
)
_VERSIONED: Final = (HTTPStatus.PRECONDITION_FAILED, HTTPStatus.PRECONDITION_REQUIRED)
_METHODS: Final = frozenset({"get", "put", "post", "patch", "delete"})

_RETRY_AFTER: Final = {
    "Retry-After": {
        "description": "Seconds to wait.",
        "required": True,
        "schema": {"type": "integer", "minimum": 0},
    }
}
_HEADERS: Final[dict[HTTPStatus, dict[str, Any]]] = {
    HTTPStatus.UNAUTHORIZED: {
        "WWW-Authenticate": {"description": "Bearer.", "required": True, "schema": {"type": "string"}}
    },
    HTTPStatus.METHOD_NOT_ALLOWED: {
        "Allow": {"description": "What it takes.", "required": True, "schema": {"type": "string"}}
    },
    HTTPStatus.TOO_MANY_REQUESTS: _RETRY_AFTER,
    HTTPStatus.SERVICE_UNAVAILABLE: _RETRY_AFTER,
}
_ETAG: Final = {"ETag": {"description": "The version, for If-Match.", "schema": {"type": "string"}}}
_IF_MATCH: Final = {
    "name": "If-Match",
    "in": "header",
    "required": True,
    "description": "The ETag of the version that is changed.",
    "schema": {"type": "string", "pattern": r'^"[0-9]{1,18}"$'},
    "example": '"3"',
}
_DEVICE_TIME: Final = {
    "name": DEVICE_TIME_HEADER,
    "in": "header",
    "required": False,
    "description": "What the device's clock says while it sends (RFC 3339 with offset). Its offset from the server's "
    "clock is kept with the record and corrects the times noted by that device. Anything else than a time is passed "
    "over.",
    "schema": {"type": "string"},
    "example": "2026-05-04T09:30:00+02:00",
}
_EPOCH: Final = {
    EPOCH_HEADER: {
        "description": "Another one than before: the service was restored from a backup. Send again what was "
        "acknowledged since; what is still there is made no second time. A request that changes something and carries "
        "this header with another epoch is refused with 409 `epoch_changed`, so that nothing new overtakes what was "
        "lost.",
        "schema": {"type": "string"},
    }
}

PROBLEM_SCHEMA: Final[dict[str, Any]] = {
    "type": "object",
    "description": "Problem details (RFC 9457).",
    "required": ["type", "title", "status", "detail"],
    "properties": {
        "type": {"type": "string", "format": "uri-reference", "description": "Stable slug to act on."},
        "title": {"type": "string", "description": "The kind of problem, for people."},
        "status": {"type": "integer", "minimum": 400, "maximum": 599, "description": "As of the answer itself."},
        "detail": {"type": "string", "description": "What is wrong and what to do, for people."},
        "next_step": {"type": "string", "description": "What the job is waiting for."},
        "constraint": {"type": "string", "description": "The rule of the records that it would break."},
        "errors": {"type": "array", "minItems": 1, "items": {"$ref": "#/components/schemas/ProblemError"}},
    },
}
PROBLEM_ERROR_SCHEMA: Final[dict[str, Any]] = {
    "type": "object",
    "required": ["pointer", "code", "detail"],
    "properties": {
        "pointer": {
            "type": "string",
            "description": "JSON pointer (RFC 6901) into the body; empty: the whole.",
        },
        "parameter": {"type": "string", "description": "The query parameter, where it is one."},
        "code": {"type": "string", "description": "Stable slug to act on."},
        "detail": {"type": "string", "description": "What is wrong and what to do, for people."},
    },
}
_EXAMPLE_ERRORS: Final[dict[HTTPStatus, tuple[dict[str, str], ...]]] = {
    HTTPStatus.UNPROCESSABLE_ENTITY: (
        {
            "pointer": "/readings/3/height_mm",
            "code": "not_above",
            "detail": "A height must be greater than 0 mm.",
        },
    ),
    HTTPStatus.BAD_REQUEST: (
        {"pointer": "/note", "code": "nul_character", "detail": "Text must not hold a NUL character."},
    ),
}
_EXAMPLE_EXTENSIONS: Final[dict[HTTPStatus, dict[str, str]]] = {
    HTTPStatus.CONFLICT: {"next_step": "settle_and_measure"},
}


def document_conventions(
    result: dict[str, Any],
    generator: Any,
    request: Any,
    public: bool,
) -> dict[str, Any]:
    """Adds the conventions, the problems that an operation can answer and the shared headers; what a view declared
    stays.
    """
    result.setdefault("info", {})["description"] = CONVENTIONS
    components = result.setdefault("components", {})
    components.setdefault("schemas", {}).update({"Problem": PROBLEM_SCHEMA, "ProblemError": PROBLEM_ERROR_SCHEMA})
    components.setdefault("responses", {}).update({
        _response_name(status): _response(status) for status in PROBLEM_TYPES if status < 500 or status == 503
    })  # fmt: skip
    for path_item in result.get("paths", {}).values():
        for method, operation in path_item.items():
            if method in _METHODS:
                _document_operation(method, operation, is_versioned="patch" in path_item)
    return result


def _document_operation(method: str, operation: dict[str, Any], *, is_versioned: bool) -> None:
    responses = operation.setdefault("responses", {})
    for status in _statuses(method, operation):
        responses.setdefault(str(int(status)), {"$ref": f"#/components/responses/{_response_name(status)}"})
    operation.setdefault("parameters", []).extend(_headers_taken(method, operation))
    answered = _headers_answered(method, operation, is_versioned=is_versioned)
    for status_code, response in responses.items():
        if status_code.startswith("2") and answered:
            response.setdefault("headers", {}).update(answered)


def _headers_taken(method: str, operation: dict[str, Any]) -> list[dict[str, Any]]:
    return [
        *([_DEVICE_TIME] if method != "get" and operation.get("security") else []),
        *([_IF_MATCH] if method == "patch" else []),
    ]


def _headers_answered(method: str, operation: dict[str, Any], *, is_versioned: bool) -> dict[str, Any]:
    return {
        **(_ETAG if is_versioned and method in ("get", "patch") else {}),
        **(_EPOCH if operation.get("security") else {}),
    }


def _statuses(method: str, operation: dict[str, Any]) -> tuple[HTTPStatus, ...]:
    return (
        *_ALWAYS,
        *((HTTPStatus.UNAUTHORIZED,) if _may_be_unauthorized(method, operation) else ()),
        *(_WRITES if method != "get" else ()),
        *(_VERSIONED if method == "patch" else ()),
    )


def _may_be_unauthorized(method: str, operation: dict[str, Any]) -> bool:
    """Open operations that take a secret (sign-in, invitation) refuse a wrong one with 401 as well."""
    return bool(operation.get("security")) or method == "post"


def _response_name(status: HTTPStatus) -> str:
    return f"Problem{int(status)}"


def _response(status: HTTPStatus) -> dict[str, Any]:
    example = Problem(
        status, errors=_EXAMPLE_ERRORS.get(status, ()), extensions=_EXAMPLE_EXTENSIONS.get(status, {})
    ).members()
    content = {"schema": {"$ref": "#/components/schemas/Problem"}, "example": example}
    response = {"description": str(PROBLEM_TYPES[status].title), "content": {PROBLEM_MEDIA_TYPE: content}}
    return {**response, "headers": _HEADERS[status]} if status in _HEADERS else response


class RequestBodySchema(OpenApiSerializerExtension):  # type: ignore[no-untyped-call]
    """Bodies take no other members than those described, and times within the years that records can have."""

    target_class = "fleet.api.inputs.RequestBody"
    match_subclasses = True

    def map_serializer(self, auto_schema: AutoSchema, direction: Direction) -> dict[str, Any]:
        described: dict[str, Any] = auto_schema._map_serializer(self.target, direction, bypass_extensions=True)  # type: ignore[no-untyped-call]
        if direction != "request":
            return described
        properties = {name: _with_years(each) for name, each in described.get("properties", {}).items()}
        return {**described, "properties": properties, "additionalProperties": False}


def _with_years(member: dict[str, Any]) -> dict[str, Any]:
    if member.get("format") not in ("date", "date-time"):
        return member
    years = _("Years %(first)s to %(last)s.") % {"first": fields.FIRST_YEAR, "last": fields.LAST_YEAR}
    return {**member, "description": f"{member.get('description', '')} {years}".strip()}


class StrictFieldSchema(OpenApiSerializerFieldExtension):  # type: ignore[no-untyped-call]
    """Schemas of the fields of `fleet.api.fields`, as strict as the fields are."""

    target_class = "rest_framework.fields.Field"
    match_subclasses = True

    @classmethod
    def _matches(cls, target: Any) -> bool:
        return type(target) in _FIELD_SCHEMAS or isinstance(target, fields.CornerMap | fields.TrimmedText)

    def map_serializer_field(self, auto_schema: AutoSchema, direction: Direction) -> dict[str, Any]:
        match self.target:
            case fields.CornerMap():
                return _corner_map(self.target, auto_schema, direction)
            case fields.TrimmedText():
                return _text(self.target)
        return _FIELD_SCHEMAS[type(self.target)](self.target)


def _corner_map(field: fields.CornerMap, auto_schema: AutoSchema, direction: Direction) -> dict[str, Any]:
    child = auto_schema._map_serializer_field(field.child, direction)  # type: ignore[no-untyped-call]
    return {
        "type": "object",
        "properties": dict.fromkeys(field.corners, child),
        "additionalProperties": False,
        **({"required": list(field.corners)} if field.complete else {"minProperties": 1}),
    }


def _text(field: fields.TrimmedText) -> dict[str, Any]:
    shortest = {} if field.allow_blank else {"minLength": 1}
    return {"type": "string", "maxLength": field.max_length, **shortest}


def _decimal(field: fields.StrictDecimal) -> dict[str, Any]:
    lowest = {"minimum": field.minimum} if field.above is None else {"exclusiveMinimum": field.above}
    return {
        "type": "number",
        **{name: float(limit) for name, limit in lowest.items()},
        "maximum": float(field.maximum),
    }


def _integer(field: fields.StrictInteger) -> dict[str, Any]:
    return {"type": "integer", "minimum": field.min_value, "maximum": field.max_value}


_FIELD_SCHEMAS: Final[dict[type[Any], Callable[[Any], dict[str, Any]]]] = {
    fields.StrictBoolean: lambda _field: {"type": "boolean"},
    fields.StrictInteger: _integer,
    fields.SetPoint: _integer,
    fields.StrictDecimal: _decimal,
    fields.HeightMm: _decimal,
    fields.AwareDateTime: lambda _field: {"type": "string", "format": "date-time"},
    fields.PlainDate: lambda _field: {"type": "string", "format": "date"},
    fields.ClientId: lambda _field: {
        "type": "string",
        "format": "uuid",
        "description": str(_("UUID of version 7")),
    },
    fields.VinField: lambda _field: {"type": "string", "example": "1M8GDM9AXKP042788"},
    fields.TyreSizeField: lambda _field: {"type": "string", "example": "255/60R18"},
}
