"""Canonical JSON (RFC 8785), fast enough for hundreds of thousands of records.

`rfc8785` is exact and pure Python. For most content the standard library's encoder, which is neither, writes the same
bytes; where it might not, the exact one is asked: for single numbers, or for the whole.
"""

from __future__ import annotations

import json
import re
from typing import Any, Final

import rfc8785

_MAYBE_OTHER_NUMBER: Final = re.compile(r"(?:\.0|e[-+][0-9]+)(?:[,}\]]|$)")
"""Perhaps the end of a number that RFC 8785 wants otherwise: 1.0 for 1, 1e-05 for 0.00001, 1e+16, -0.0."""
_MARK: Final = "\ue000"
_MARKED: Final = re.compile(f'"{_MARK}([^"]*){_MARK}"')
_LAST_OF_ONE_UNIT: Final = "\uffff"
"""Beyond it UTF-16, by which RFC 8785 sorts names, sorts otherwise than code points do."""


def canonical(value: Any) -> bytes:
    """The bytes that RFC 8785 gives a JSON value whose whole numbers are within ±(2^53 - 1).

    >>> canonical({"b": 1.0, "a": [True, None, 1e-05, "ä"]}).decode()
    '{"a":[true,null,0.00001,"ä"],"b":1}'
    """
    text = _written(value)
    if not text.isascii() and (_MARK in text or max(text) > _LAST_OF_ONE_UNIT):
        return rfc8785.dumps(value)
    if _MAYBE_OTHER_NUMBER.search(text):
        text = _MARKED.sub(r"\1", _written(_with_marked_numbers(value)))
    return text.encode()


def _written(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"), sort_keys=True)


def _with_marked_numbers(value: Any) -> Any:
    """Numbers that the two encoders write differently become text between marks."""
    if isinstance(value, float):
        written = repr(value)
        return f"{_MARK}{rfc8785.dumps(value).decode()}{_MARK}" if written.endswith(".0") or "e" in written else value
    if isinstance(value, dict):
        return {name: _with_marked_numbers(each) for name, each in value.items()}
    if isinstance(value, list):
        return [_with_marked_numbers(each) for each in value]
    return value
