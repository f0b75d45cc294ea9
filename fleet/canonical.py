"""Canonical JSON (RFC 8785), fast enough for hundreds of thousands of records.

`rfc8785` is exact and pure Python. For most content the standard library's encoder, which is neither, writes the same
bytes; where it might not, the exact one is asked.
"""

from __future__ import annotations

import json
import re
from typing import Any, Final

import rfc8785

_UNCERTAIN_NUMBER: Final = re.compile(r"(?:[:,\[]|^)-?[0-9.]+(?:\.0|e[-+][0-9]+)(?:[,}\]]|$)")
"""Written otherwise by the standard library than RFC 8785 wants it: 1.0 for 1, 1e-05 for 0.00001, 1e+16, -0.0."""
_LAST_OF_ONE_UNIT: Final = "￿"
"""Beyond it UTF-16, by which RFC 8785 sorts names, sorts otherwise than code points do."""


def canonical(value: Any) -> bytes:
    """The bytes that RFC 8785 gives a JSON value whose whole numbers are within ±(2^53 - 1).

    >>> canonical({"b": 1.0, "a": [True, None, 1e-05, "ä"]}).decode()
    '{"a":[true,null,0.00001,"ä"],"b":1}'
    """
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"), sort_keys=True)
    if _UNCERTAIN_NUMBER.search(text) or not (text.isascii() or max(text) <= _LAST_OF_ONE_UNIT):
        return rfc8785.dumps(value)
    return text.encode()
