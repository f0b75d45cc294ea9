"""When two requests with one client-made id say the same thing.

"The same body" compares fingerprints of what was understood, not of the bytes sent: 486 is 486.0, an instant
is the same in every offset, members have no order. Secrets take no part, so that none can be guessed from
a stored fingerprint.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping
from datetime import UTC, date, datetime
from decimal import Context, Decimal
from enum import Enum
from typing import Any, Final
from uuid import UUID

from django.db.models import Model

from fleet.canonical import canonical

SECRET_MEMBERS: Final = frozenset({"pin", "password"})
_SAFE_INTEGER: Final = 2**53


def fingerprint(validated_data: Mapping[str, Any]) -> str:
    """SHA-256, in hexadecimal, of the canonical JSON (RFC 8785) of validated data without its secrets.

    >>> fingerprint({"height_mm": 486}) == fingerprint({"height_mm": Decimal("486.000"), "pin": "1234"})
    True
    """
    return hashlib.sha256(canonical(_canonical(validated_data))).hexdigest()


def _canonical(value: Any) -> Any:
    match value:
        case None | bool():
            return value
        case Enum():
            return _canonical(value.value)
        case str():
            return str(value)
        case int() | float() | Decimal():
            return _number(value)
        case datetime():
            return _instant(value)
        case date() | UUID():
            return str(value)
        case Model():
            return _canonical(value.pk)
        case Mapping():
            return {_name(name): _canonical(item) for name, item in value.items() if name not in SECRET_MEMBERS}
        case list() | tuple():
            return [_canonical(item) for item in value]
    raise TypeError(f"{type(value).__name__} has no canonical form")


def _name(name: Any) -> str:
    return str(name.value if isinstance(name, Enum) else name)


def _number(value: int | float | Decimal) -> Any:
    """A JSON number where a double holds it exactly as written, else its digits, so that none are lost."""
    if not math.isfinite(value):
        raise ValueError(f"{value} has no canonical form")
    exact = Decimal(repr(value)) if isinstance(value, float) else Decimal(value)
    if exact == exact.to_integral_value() and abs(exact) < _SAFE_INTEGER:
        return int(exact)
    as_float = float(exact)
    if math.isfinite(as_float) and Decimal(repr(as_float)) == exact:
        return as_float
    return {"number": f"{_without_trailing_zeros(exact):E}"}


def _without_trailing_zeros(value: Decimal) -> Decimal:
    return Context(prec=len(value.as_tuple().digits)).normalize(value)


def _instant(value: datetime) -> str:
    if value.tzinfo is None:
        raise ValueError("a time without offset has no canonical form")
    return value.astimezone(UTC).isoformat(timespec="microseconds")
