"""The rows of an import that were refused, with what is wrong, as a file for a spreadsheet.

Put right there it may be handed in again as it is: it has the cells of the file that was imported, under headings that
mean the same to the next import, and what was added is passed over (`error_columns`).
"""

from __future__ import annotations

import csv
import io
import itertools
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from tempfile import SpooledTemporaryFile
from typing import IO, Any, Final

from django.utils.formats import get_format

from ..models import Import, ImportFile, RowProblem
from ..selectors.imports import problems_of
from . import columns as cells
from . import registry, tables
from .error_columns import error_headings, harmless
from .faults import FileFault
from .headings import candidates
from .kinds import ImportKind
from .sources import Source

KEPT_IN_MEMORY: Final = 1_000_000
READ_AT_ONCE: Final = 2_000
_DECIMAL: Final = re.compile(r"[+-]?\d+\.\d+", re.ASCII)
_AMBIGUOUS: Final = re.compile(r"[+-]?\d{1,3}\.\d{3}", re.ASCII)


@dataclass(frozen=True)
class CarriedColumn:
    """A column of the imported file as it stands in the error file."""

    source: str
    """Its heading in the imported file."""
    heading: str
    is_number: bool = False


def error_file(run: Import) -> IO[bytes]:
    """CSV in UTF-8, written whole while the workshop's transaction is open; long ones lie on disk."""
    file: Any = SpooledTemporaryFile(max_size=KEPT_IN_MEMORY)  # noqa: SIM115  (whoever sends it closes it)
    # Half a character within a member that holds an object is written as JSON has it.
    text = io.TextIOWrapper(file, "utf-8-sig", "backslashreplace", newline="", write_through=True)
    source = _source_of(run)
    carried = _carried(run, source)
    writer = csv.writer(text, delimiter=_delimiter(run))
    writer.writerow([*error_headings(run.language), *(harmless(each.heading) for each in carried)])
    sign, given = _decimal_sign(run), _given(run)
    for problems, values in _refused(run, source):
        told = [str(problems[0].line), *_told(run, problems)]
        writer.writerow([harmless(each) for each in (*told, *_cells({**given, **values}, carried, sign))])
    text.detach()
    file.seek(0)
    return file  # type: ignore[no-any-return]


def carried_columns(kind: ImportKind, headings: Sequence[str], mapping: Mapping[str, str]) -> list[CarriedColumn]:
    """The columns of a file so headed that each is taken for what it was said to be, and for nothing else.

    What had to be said of a heading is said by our column's own name, which wins over everything.
    """
    names = [each.name for each in kind.columns()]
    numbers = {each.name for each in kind.columns() if each.cell in (cells.number, cells.kilometres)}
    meant = candidates(names, headings)
    carried = []
    for heading in headings:
        ours = [name for name in names if mapping.get(name) == heading]
        if not ours and not any(heading in those and name not in mapping for name, those in meant.items()):
            carried.append(CarriedColumn(heading, heading))
        for name in ours:
            shown = heading if meant.get(name) == [heading] else name
            carried.append(CarriedColumn(heading, shown, name in numbers))
    named = {each.heading for each in carried if each.heading != each.source}
    return [each for each in carried if each.heading != each.source or each.heading not in named]


def _source_of(run: Import) -> Source | None:
    """The rows; none where the file's content was removed since or cannot be read."""
    if run.file.removed_at is not None:
        return None
    try:
        return tables.source_of(run.file)
    except FileFault:
        return None


def _carried(run: Import, source: Source | None) -> list[CarriedColumn]:
    if source is None:
        return []
    headings = source.headings or list(dict.fromkeys(run.columns.values()))
    return carried_columns(registry.kind_of(run.kind), [each for each in headings if each], run.columns)


def _given(run: Import) -> dict[str, str]:
    """What the import said of all rows that have nothing of their own, by heading: an empty cell would be refused."""
    return {run.columns[name]: said for name, said in run.assumptions.items() if name in run.columns}


def _delimiter(run: Import) -> str:
    """As in the file; where that has none, what a spreadsheet of the language expects."""
    return run.file.delimiter or (";" if get_format("DECIMAL_SEPARATOR", run.language) == "," else ",")


def _decimal_sign(run: Import) -> str:
    """Text is carried as it stands, figures of other formats as a spreadsheet of the language reads them."""
    return "." if run.file.format == ImportFile.Format.CSV else str(get_format("DECIMAL_SEPARATOR", run.language))


def _refused(run: Import, source: Source | None) -> Iterator[tuple[list[RowProblem], Mapping[str, Any]]]:
    """What is wrong with each line, with the line's values where it could be read."""
    rows = iter(()) if source is None else source.rows()
    row = next(rows, None)
    found = problems_of(run).iterator(chunk_size=READ_AT_ONCE)
    for line, problems in itertools.groupby(found, lambda each: each.line):
        while row is not None and row.line < line:
            row = next(rows, None)
        yield list(problems), row.values if row is not None and row.line == line else {}


def _told(run: Import, problems: Sequence[RowProblem]) -> Iterator[str]:
    """Columns as they are headed in the imported file, rules, and the sentences."""
    yield ", ".join(dict.fromkeys(run.columns.get(each.field, each.field) for each in problems if each.field))
    yield ", ".join(each.code for each in problems)
    yield " ".join(each.detail for each in problems)


def _cells(values: Mapping[str, Any], carried: Sequence[CarriedColumn], sign: str) -> Iterator[str]:
    for each in carried:
        written = _written(values.get(each.source))
        if each.is_number and _DECIMAL.fullmatch(written) and not _AMBIGUOUS.fullmatch(written):
            written = written.replace(".", sign)
        yield written


def _written(value: Any) -> str:
    match value:
        case None:
            return ""
        case bool() | dict() | list():
            return json.dumps(value, ensure_ascii=False, default=str)
        case Decimal():
            return format(value, "f")
    return str(value)
