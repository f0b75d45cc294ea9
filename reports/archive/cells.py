"""Values as the text of a CSV cell, and back.

Empty is null; in a text column, which is never null, it is the empty text. Text that a spreadsheet would take for a
formula (CWE-1236) gets an apostrophe in front, and so does text that begins with an apostrophe: reading takes one away.
"""

from __future__ import annotations

import json
import math
import uuid
from collections.abc import Callable
from datetime import UTC, date, datetime
from decimal import Decimal, InvalidOperation
from typing import Any, Final

from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import Field
from django.utils.translation import gettext as _

FORMULA_STARTS: Final = frozenset("=+-@\t\r\n＝＋－＠")
APOSTROPHE: Final = "'"


class CellError(ValueError):
    """Text that is no value of its column; says which value the column takes."""


def guarded(text: str) -> str:
    """
    >>> guarded("=1+1"), guarded("'tis"), guarded("plain")
    ("'=1+1", "''tis", 'plain')
    """
    return APOSTROPHE + text if text[:1] in FORMULA_STARTS or text[:1] == APOSTROPHE else text


def unguarded(text: str) -> str:
    """What `guarded` was given.

    >>> unguarded("'=1+1"), unguarded("''tis"), unguarded("plain")
    ('=1+1', "'tis", 'plain')
    """
    return text.removeprefix(APOSTROPHE)


def text_of(field: Field[Any, Any], value: Any) -> str:
    """The cell of a value; equal values have equal cells."""
    if value is None:
        return ""
    if is_json(field):
        return json.dumps(value, ensure_ascii=False, separators=(",", ":"), sort_keys=True)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Decimal):
        return format(value.normalize(), "f")
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat(timespec="microseconds")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, int | uuid.UUID):
        return str(value)
    if isinstance(value, bytes | memoryview):
        return bytes(value).hex()
    return guarded(str(value))


def value_of(field: Field[Any, Any], text: str) -> Any:
    """The value of a cell. Raises `CellError`."""
    target = _stored(field)
    if text == "":
        return _empty(field, target)
    try:
        value = _reader(field, target)(text)
    except (ValueError, InvalidOperation, RecursionError):
        raise CellError(_("“%(text)s” is no value (%(kind)s)") % {"text": text[:60], "kind": kind_of(field)}) from None
    return value


def is_json(field: Field[Any, Any]) -> bool:
    return isinstance(field, models.JSONField | ArrayField)


def kind_of(field: Field[Any, Any]) -> str:
    """The word that the data dictionary has for a column's values."""
    target = _stored(field)
    return next((word for kind, word, _read in _KINDS if isinstance(target, kind)), "text")


def _stored(field: Field[Any, Any]) -> Field[Any, Any]:
    """Of a foreign key the field that it refers to."""
    return field.target_field if isinstance(field, models.ForeignKey) else field


def _empty(field: Field[Any, Any], target: Field[Any, Any]) -> Any:
    if field.null:
        return None
    if isinstance(target, models.CharField | models.TextField):
        return ""
    raise CellError(_("it is empty, and there must be a value"))


def _reader(field: Field[Any, Any], target: Field[Any, Any]) -> Callable[[str], Any]:
    return next((read for kind, _word, read in _KINDS if isinstance(target, kind)), unguarded)


def _boolean(text: str) -> bool:
    if text not in ("true", "false"):
        raise ValueError(text)
    return text == "true"


def _whole(text: str) -> int:
    if not text.removeprefix("-").isdecimal() or not text.isascii():
        raise ValueError(text)
    return int(text)


def _decimal(text: str) -> Decimal:
    value = Decimal(text)
    if not value.is_finite():
        raise ValueError(text)
    return value


def _float(text: str) -> float:
    value = float(text)
    if math.isnan(value):
        raise ValueError(text)
    return value


def _moment(text: str) -> datetime:
    value = datetime.fromisoformat(text)
    if value.tzinfo is None:
        raise ValueError(text)
    return value


_KINDS: Final[tuple[tuple[Any, str, Callable[[str], Any]], ...]] = (
    (models.BooleanField, "true or false", _boolean),
    (models.DateTimeField, "time, ISO 8601 with offset", _moment),
    (models.DateField, "date, ISO 8601", date.fromisoformat),
    (models.UUIDField, "UUID", uuid.UUID),
    (models.BinaryField, "bytes, hexadecimal", bytes.fromhex),
    (models.DecimalField, "decimal number", _decimal),
    (models.FloatField, "number", _float),
    (models.IntegerField, "whole number", _whole),
    ((models.JSONField, ArrayField), "JSON", json.loads),
)
