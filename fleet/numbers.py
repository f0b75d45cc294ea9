"""Decimals as JSON numbers, in the one place where records leave Python's types."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any


def json_numbers(value: Any) -> Any:
    """The same structure with decimals as numbers: whole ones as integers, so that 486 and 486.000 are one.

    >>> json_numbers({"FL": Decimal("486.000"), "FR": Decimal("0.5")})
    {'FL': 486, 'FR': 0.5}
    """
    match value:
        case Decimal():
            return int(value) if value == value.to_integral_value() else float(value)
        case float():
            return int(value) if value.is_integer() else value
        case Mapping():
            return {str(key): json_numbers(item) for key, item in value.items()}
        case list() | tuple():
            return [json_numbers(item) for item in value]
    return value
