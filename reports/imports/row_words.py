"""What is wrong with a row, in a sentence that finds its cell again in the file."""

from __future__ import annotations

from collections.abc import Mapping

from django.utils.formats import number_format
from django.utils.translation import gettext as _

from .columns import shown
from .faults import Fault
from .kinds import ImportKind


class Sentences:
    """Of one import: a file's own headings beside what they mean."""

    def __init__(self, kind: ImportKind, mapping: Mapping[str, str]) -> None:
        self._mapping = mapping
        self._meanings = {column.name: column.label for column in kind.columns()}

    def of(self, line: int, fault: Fault) -> str:
        """Line 14, column “Datum” (date and time of the check): what was found, the rule and what to do."""
        values = {"line": number_format(line, force_grouping=True), "detail": fault.detail}
        meaning = self._meanings.get(fault.column)
        if meaning is None:
            return _("Line %(line)s: %(detail)s") % values
        heading = self._mapping.get(fault.column)
        if heading is None:
            return _("Line %(line)s (%(meaning)s): %(detail)s") % {**values, "meaning": meaning}
        values |= {"heading": shown(heading), "meaning": meaning}
        if heading.casefold() == str(meaning).casefold():
            return _("Line %(line)s, column “%(heading)s”: %(detail)s") % values
        return _("Line %(line)s, column “%(heading)s” (%(meaning)s): %(detail)s") % values
