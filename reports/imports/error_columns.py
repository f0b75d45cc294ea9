"""What an error file has beside the rows that were refused; an import of the corrected file passes it over."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Final

ERROR_HEADINGS: Final[Mapping[str, Sequence[str]]] = {
    "en": ("error: line", "error: column", "error: rule", "error: what is wrong"),
    "de": ("Fehler: Zeile", "Fehler: Spalte", "Fehler: Regel", "Fehler: was nicht stimmt"),
}
"""By language. Nobody heads a list of their own like this."""
_KNOWN: Final = frozenset(each.casefold() for those in ERROR_HEADINGS.values() for each in those)
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")
_NUMBER: Final = re.compile(r"[+-]?\d+(?:[.,]\d+)?", re.ASCII)


def error_headings(language: str) -> Sequence[str]:
    return ERROR_HEADINGS.get(language, ERROR_HEADINGS["en"])


def is_error_heading(heading: str) -> bool:
    """In whichever language the file was made."""
    return heading.strip().casefold() in _KNOWN


def harmless(text: str) -> str:
    """What a spreadsheet takes for text, not for a formula; a number stays one.

    >>> harmless("=1+1"), harmless("-4,5"), harmless("'=1")
    ("'=1+1", '-4,5', "''=1")
    """
    return f"'{text}" if text.lstrip("'").startswith(_FORMULA) and not _NUMBER.fullmatch(text) else text


def as_it_was(text: str) -> str:
    """A cell of an error file without what `harmless` put before it.

    >>> as_it_was("'=1+1"), as_it_was("-4,5"), as_it_was("''=1"), as_it_was("'t Harde")
    ('=1+1', '-4,5', "'=1", "'t Harde")
    """
    return text[1:] if text.startswith("'") and text.lstrip("'").startswith(_FORMULA) else text
