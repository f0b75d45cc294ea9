"""Codes by which anyone can check a certificate: random, unguessable, easy to read out and to type.

Crockford's base 32 leaves out I, L, O and U; what people type instead is understood.
"""

from __future__ import annotations

import secrets
from typing import Final
from urllib.parse import urlsplit

ALPHABET: Final = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
CODE_LENGTH: Final = 16
"""80 bits."""
GROUP: Final = 4
_LOOKALIKES: Final = str.maketrans("OIL", "011", "- ")


def new_code() -> str:
    return "".join(secrets.choice(ALPHABET) for _ in range(CODE_LENGTH))


def grouped(code: str) -> str:
    """
    >>> grouped("7KQM3XTD9WPA4GHZ")
    '7KQM-3XTD-9WPA-4GHZ'
    """
    return "-".join(code[start : start + GROUP] for start in range(0, len(code), GROUP))


def read_code(typed: str) -> str | None:
    """The code that somebody typed, or the last part of the address that the QR code holds; None where it can be none.

    >>> read_code("7kqm-3xtd 9wpa-4ghz"), read_code("o"), read_code("7KQM3XTD9WPA4GHU")
    ('7KQM3XTD9WPA4GHZ', None, None)
    >>> read_code("https://levelbook.example/verify/7KQM3XTD9WPA4GHZ")
    '7KQM3XTD9WPA4GHZ'
    """
    if "://" in typed:
        typed = _path_of(typed).rstrip("/").rpartition("/")[2]
    code = typed.upper().translate(_LOOKALIKES)
    return code if len(code) == CODE_LENGTH and set(code) <= set(ALPHABET) else None


def _path_of(address: str) -> str:
    try:
        return urlsplit(address).path
    except ValueError:  # brackets that are no address of IPv6
        return ""
