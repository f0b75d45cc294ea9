"""Days and times as every page and document writes them: by the language's module in `fleet.formats`.

Pages reach the same formats through Django's filters. A document's bytes must not depend on any setting.
"""

from __future__ import annotations

from datetime import date, datetime
from importlib import import_module
from typing import Final

from django.utils.dateformat import format as written
from django.utils.translation import get_language

_OTHERWISE: Final = "en"


def day(moment: date) -> str:
    """
    >>> from django.utils.translation import override
    >>> with override("en"): day(date(2026, 10, 6))
    '6 Oct 2026'
    >>> with override("de"): day(date(2026, 10, 6))
    '06.10.2026'
    """
    return written(moment, _format("DATE_FORMAT"))


def day_and_time(moment: datetime) -> str:
    """As its own clock shows it, whose zone is said elsewhere."""
    return written(moment, _format("DATETIME_FORMAT"))


def _format(name: str) -> str:
    language = (get_language() or _OTHERWISE).partition("-")[0]
    try:
        formats = import_module(f"fleet.formats.{language}.formats")
    except ModuleNotFoundError:
        formats = import_module(f"fleet.formats.{_OTHERWISE}.formats")
    return str(getattr(formats, name))
