"""JSON bodies, read strictly: what two programs could read differently is refused (I-JSON, RFC 7493).

Refused with 400, saying what and where: anything but UTF-8, duplicate member names, NaN and infinities,
numbers beyond 64 bits or a double, NUL characters and lone surrogates, deep nesting, a body that is no
object.
"""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import dataclass
from http import HTTPStatus
from typing import IO, TYPE_CHECKING, Any, Final

from django.conf import settings
from django.core.exceptions import RequestDataTooBig
from django.utils.translation import gettext_lazy as _
from rest_framework.exceptions import APIException, ParseError
from rest_framework.parsers import BaseParser
from rest_framework.renderers import JSONRenderer

from fleet.errors import FieldError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from django.utils.functional import _StrOrPromise

MAX_DEPTH: Final = 32
_DUPLICATE: Final = _("The member %(name)s stands more than once in one object.")
INT64_MIN: Final = -(2**63)
INT64_MAX: Final = 2**63 - 1
_LONGEST_INT64: Final = len(str(INT64_MIN))


class MalformedBody(ParseError):  # noqa: N818
    """A body that cannot be read; `field_errors` says what is wrong and where."""

    def __init__(self, pointer: str, code: str, detail: _StrOrPromise) -> None:
        super().__init__(str(detail), code)
        self.field_errors = (FieldError(pointer, code, detail),)


class BodyTooLarge(APIException):
    """A body beyond the size that the service takes."""

    status_code = HTTPStatus.REQUEST_ENTITY_TOO_LARGE
    default_detail = _("The body is larger than %(limit)s bytes. Send less at once.")
    default_code = "too_large"

    def __init__(self, limit: int) -> None:
        super().__init__(str(self.default_detail % {"limit": limit}))


@dataclass(frozen=True)
class _Refused:
    """Stands in the parsed tree where something cannot be accepted, so that its place can be named."""

    code: str
    detail: _StrOrPromise


class StrictJSONParser(BaseParser):
    """`application/json` for every write of the interface."""

    media_type = "application/json"
    renderer_class = JSONRenderer

    def parse(
        self,
        stream: IO[Any],
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> dict[str, Any]:
        document = _decode(_text(_read(stream)))
        _refuse_first_fault(document)
        if not isinstance(document, dict):
            detail = _("The body must be a JSON object: {…}.")
            raise MalformedBody("", "not_an_object", detail)
        return document


def _read(stream: IO[Any]) -> bytes:
    limit = settings.DATA_UPLOAD_MAX_MEMORY_SIZE
    if limit is None:
        return bytes(stream.read())
    try:
        body: bytes = stream.read(limit + 1)
    except RequestDataTooBig:
        raise BodyTooLarge(limit) from None
    if len(body) > limit:
        raise BodyTooLarge(limit)
    return body


def _text(body: bytes) -> str:
    try:
        text = body.decode("utf-8")
    except UnicodeDecodeError as error:
        detail = _("The body is not valid UTF-8 at byte %(byte)s.") % {"byte": error.start}
        raise MalformedBody("", "not_utf8", detail) from None
    if text.startswith("\ufeff"):
        raise MalformedBody("", "byte_order_mark", _("The body starts with a byte order mark; send it without."))
    return text


def _decode(text: str) -> Any:
    try:
        return _decoder.decode(text)
    except json.JSONDecodeError as error:
        detail = _("The body is not valid JSON at line %(line)s, column %(column)s: %(reason)s.")
        values = {"line": error.lineno, "column": error.colno, "reason": error.msg}
        raise MalformedBody("", "not_json", detail % values) from None
    except RecursionError:
        raise MalformedBody("", "too_deep", _too_deep()) from None


def _too_deep() -> _StrOrPromise:
    return _("The body is nested deeper than %(limit)s levels.") % {"limit": MAX_DEPTH}


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any] | _Refused:
    members = dict(pairs)
    if len(members) == len(pairs):
        return members
    counted = Counter(name for name, _value in pairs)
    twice, _count = counted.most_common(1)[0]
    return _Refused("duplicate_member", _DUPLICATE % {"name": _shown(twice)})


def _integer(digits: str) -> int | _Refused:
    if len(digits) <= _LONGEST_INT64:
        value = int(digits)
        if INT64_MIN <= value <= INT64_MAX:
            return value
    detail = _("Whole numbers go from %(low)s to %(high)s.") % {"low": INT64_MIN, "high": INT64_MAX}
    return _Refused("number_too_large", detail)


def _float(digits: str) -> float | _Refused:
    value = float(digits)
    if value - value == 0:
        return value
    return _Refused("number_too_large", _("This number is larger than a 64-bit floating-point number can be."))


def _constant(name: str) -> _Refused:
    detail = _("%(name)s is no JSON number. Leave the member out if there is no value.")
    return _Refused("not_a_number", detail % {"name": name})


_decoder = json.JSONDecoder(object_pairs_hook=_object, parse_int=_integer, parse_float=_float, parse_constant=_constant)


def _refuse_first_fault(document: Any) -> None:
    """Walks the tree without recursion; a pointer is only put together when something is wrong."""
    pending: list[tuple[Any, _Place | None, int]] = [(document, None, 0)]
    while pending:
        value, place, depth = pending.pop()
        fault = _fault(value, depth)
        if fault is not None:
            raise MalformedBody(_pointer(place), fault.code, fault.detail)
        for token, child in _children(value):
            if isinstance(token, str) and (fault := _text_fault(token)):
                raise MalformedBody(_pointer(place), fault.code, fault.detail)
            if not isinstance(child, _PLAIN):
                pending.append((child, (place, token), depth + 1))


_Place = tuple[Any, str | int]
"""The place of the parent and the last reference token."""
_PLAIN: Final = (bool, int, float, type(None))


def _fault(value: Any, depth: int) -> _Refused | None:
    if isinstance(value, _Refused):
        return value
    if isinstance(value, str):
        return _text_fault(value)
    if depth >= MAX_DEPTH and isinstance(value, dict | list):
        return _Refused("too_deep", _too_deep())
    return None


def _text_fault(text: str) -> _Refused | None:
    if "\0" in text:
        return _Refused("nul_character", _("Text must not hold a NUL character."))
    try:
        text.encode()
    except UnicodeEncodeError:
        return _Refused("lone_surrogate", _("Text must not hold half of a surrogate pair (\\uD800 to \\uDFFF)."))
    return None


def _children(value: Any) -> Iterator[tuple[str | int, Any]]:
    if isinstance(value, dict):
        yield from value.items()
    elif isinstance(value, list):
        yield from enumerate(value)


def _pointer(place: _Place | None) -> str:
    tokens: list[str] = []
    while place is not None:
        place, token = place
        tokens.append(_shown(str(token).replace("~", "~0").replace("/", "~1")))
    return "".join(f"/{token}" for token in reversed(tokens))


def _shown(name: str) -> str:
    """A member name in a form that can always be sent back, and not at any length."""
    return name[:100].encode("utf-8", "backslashreplace").decode().replace("\0", "\\u0000")
