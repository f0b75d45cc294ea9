"""The rows of a file, one after the other, from any place at which a row begins. Memory is bounded by the longest line.

Text of every kind is read line by line in UTF-8; a row that cannot be read is told of, and the next one is read.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from typing import Any, Final

from django.utils.translation import gettext as _

from .error_columns import as_it_was, is_error_heading
from .faults import Fault, FileFault, RowFault
from .recognition import not_utf8

LONGEST_LINE: Final = 200_000
"""Bytes; far more than a row of any kind takes."""
LONGEST_ROW: Final = 131_072
"""Characters, also over several lines: an open quotation mark reads no further before its row is given up. The limit of
the `csv` module is the whole process's, and archives raise it."""
MOST_COLUMNS: Final = 200
LONGEST_HEADING: Final = 100
MOST_DIGITS: Final = 40
"""Before or after the point of a number: written out, 1e999999999 would take a gigabyte."""
_BOM: Final = "\ufeff"


@dataclass(frozen=True)
class Row:
    """One row: its line, its values by heading, and where the next one begins. Either values or a fault."""

    line: int
    end: int
    last_line: int
    """More than `line` where a cell holds line breaks."""
    values: Mapping[str, Any] = field(default_factory=dict)
    fault: Fault | None = None


def nul_character() -> str:
    return _("This line holds a NUL character. Remove it, or save the file anew.")


class Lines:
    """Lines of text in their order, with the place of the next one."""

    def __init__(self, stream: io.BufferedReader, position: int = 0, line: int = 0) -> None:
        self.stream, self.position, self.line = stream, position, line
        stream.seek(position)

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        raw = self.stream.readline(LONGEST_LINE + 1)
        if not raw:
            raise StopIteration
        self.position, self.line = self.position + len(raw), self.line + 1
        if len(raw) > LONGEST_LINE:
            self._pass_over_rest(raw)
            detail = _("This line is longer than %(most)s bytes. A row is far shorter: look for a missing line break.")
            raise RowFault("line_too_long", detail % {"most": LONGEST_LINE})
        return self._text(raw)

    def back_to(self, position: int, line: int) -> None:
        self.position, self.line = position, line
        self.stream.seek(position)

    def _pass_over_rest(self, raw: bytes) -> None:
        while raw and not raw.endswith(b"\n"):
            raw = self.stream.readline(LONGEST_LINE)
            self.position += len(raw)

    def _text(self, raw: bytes) -> str:
        try:
            text = raw.decode()
        except UnicodeDecodeError:
            raise RowFault("not_utf8", not_utf8(self.line)) from None
        if "\0" in text:
            raise RowFault("nul_character", nul_character())
        return text.removeprefix(_BOM) if self.line == 1 else text


class Source:
    """Rows of one format."""

    headings: Sequence[str] = ()
    """Those that stand in the file; none where each row names its own."""
    is_error_file = False
    """Whether beside its rows it has what was wrong with them in an earlier import."""

    def __init__(self, stream: io.BufferedReader) -> None:
        self.stream = stream

    def rows(self, position: int = 0, line: int = 0) -> Iterator[Row]:
        """From where a row begins, and the number of the line before it; from the first row for 0."""
        lines = self._lines(position, line)
        while True:
            began, before = lines.position, lines.line
            try:
                values = self._next(lines)
            except StopIteration:
                return
            except RowFault as refusal:
                self._recover(lines, began, before)
                yield Row(before + 1, lines.position, lines.line, fault=refusal.fault)
                continue
            if values is not None:
                yield Row(before + 1, lines.position, lines.line, values)

    def _lines(self, position: int, line: int) -> Lines:
        return Lines(self.stream, position, line)

    def _next(self, lines: Lines) -> Mapping[str, Any] | None:
        """The next row, None for an empty one."""
        raise NotImplementedError

    def _recover(self, lines: Lines, began: int, before: int) -> None:
        """After a row that cannot be read, go to where the next one may begin."""


class _Table(Source):
    """With a line of headings; what an error file has beside its rows is passed over."""

    def __init__(self, stream: io.BufferedReader) -> None:
        super().__init__(stream)
        lines = Lines(stream)
        cells: list[str] = []
        while not any(cells):
            try:
                cells = [each.strip() for each in self._cells(lines)]
            except StopIteration:
                raise FileFault("no_rows", _("The file holds no line of headings.")) from None
            except RowFault as refusal:
                raise FileFault(refusal.fault.code, refusal.fault.detail) from None
        self._columns = _headings(cells)
        self.headings = [each for each in self._columns if not is_error_heading(each)]
        self.is_error_file = len(self.headings) < len(self._columns)
        self._first = lines.position, lines.line

    def _lines(self, position: int, line: int) -> Lines:
        return super()._lines(*max(self._first, (position, line)))

    def _next(self, lines: Lines) -> Mapping[str, Any] | None:
        cells = self._cells(lines)
        if not any(isinstance(each, str) and each.strip() for each in cells):
            return None
        if any(each.strip() for each in cells[len(self._columns) :]):
            detail = _("This row has %(cells)s cells, and there are %(headings)s headings. Look for a stray delimiter.")
            raise RowFault("too_many_cells", detail % {"cells": len(cells), "headings": len(self._columns)})
        cells += [""] * (len(self._columns) - len(cells))  # a cell that is not there is an empty one
        values = dict(zip(self._columns, cells, strict=False))
        if len(self.headings) == len(self._columns):
            return values
        return {heading: as_it_was(values[heading]) for heading in self.headings}

    def _cells(self, lines: Lines) -> list[str]:
        raise NotImplementedError


class CsvSource(_Table):
    """Text in columns; a cell in quotation marks may hold line breaks."""

    def __init__(self, stream: io.BufferedReader, delimiter: str) -> None:
        self.delimiter = delimiter
        super().__init__(stream)

    def _cells(self, lines: Lines) -> list[str]:
        try:
            return next(csv.reader(_of_one_row(lines), delimiter=self.delimiter, strict=True))
        except csv.Error as error:
            raise _broken_quoting(error) from None

    def _recover(self, lines: Lines, began: int, before: int) -> None:
        """An open quotation mark swallows rows that are right: go on after the line in which it stands."""
        if lines.line <= before + 1:
            return
        lines.back_to(began, before)
        try:
            next(lines)
        except RowFault:
            return


class ArraySource(_Table):
    """A JSON array in each line: what was made of a spreadsheet."""

    def _cells(self, lines: Lines) -> list[str]:
        cells: list[str] = json.loads(next(lines))
        return cells


class NdjsonSource(Source):
    """A JSON object in each line."""

    def _next(self, lines: Lines) -> Mapping[str, Any] | None:
        text = next(lines)
        if not text.strip():
            return None
        try:
            found = json.loads(text, parse_float=_decimal, parse_constant=_no_number, object_pairs_hook=_members)
        except (ValueError, RecursionError) as error:
            detail = _("This line is no JSON object (%(error)s).")
            raise RowFault("not_json", detail % {"error": str(error)[:200]}) from None
        if not isinstance(found, dict):
            raise RowFault("not_an_object", _("Each line must be a JSON object: {…}."))
        if "\\u" in text:
            _require_text(found)
        return found


def _of_one_row(lines: Lines) -> Iterator[str]:
    size = 0
    for line in lines:
        size += len(line)
        if size > LONGEST_ROW:
            raise _broken_quoting(f"> {LONGEST_ROW}")
        yield line


def _broken_quoting(error: object) -> RowFault:
    detail = _("The quotation marks of this row do not match, or a cell is far too long (%(error)s).")
    return RowFault("broken_quoting", detail % {"error": error})


def _require_text(members: Mapping[str, Any]) -> None:
    """Escapes may say what the bytes of a line cannot: nothing of it could be stored or answered."""
    for each in (*members, *(value for value in members.values() if isinstance(value, str))):
        if "\0" in each:
            raise RowFault("nul_character", nul_character())
        try:
            each.encode()
        except UnicodeEncodeError:
            detail = _("This line holds half a character (\\ud800 to \\udfff alone). Remove it, or save the file anew.")
            raise RowFault("half_character", detail) from None


def _decimal(text: str) -> Decimal:
    try:
        found = Decimal(text)
    except InvalidOperation:
        found = None
    if found is None or abs(found.adjusted()) > MOST_DIGITS:
        raise RowFault("not_a_number", _("This line holds a number that is far too long. Write it like 486.5."))
    return found


def _no_number(name: str) -> None:
    raise RowFault("not_a_number", _("%(name)s is no JSON number. Leave the member out.") % {"name": name})


def _members(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise RowFault("duplicate_member", _("A member stands more than once in this object. Keep one."))
    return found


def _headings(cells: Sequence[str]) -> list[str]:
    while cells and not cells[-1]:
        cells = cells[:-1]
    if len(cells) > MOST_COLUMNS:
        detail = _("The file has %(count)s columns; at most %(most)s are read. Keep those that are needed.")
        raise FileFault("too_many_columns", detail % {"count": len(cells), "most": MOST_COLUMNS})
    if any(len(each) > LONGEST_HEADING for each in cells):
        raise FileFault("no_headings", _("The first line does not hold headings: one is too long. Add such a line."))
    twice = sorted({each for each in cells if each and cells.count(each) > 1})
    if twice:
        detail = _("The heading “%(heading)s” stands twice in the file. Name one of the columns otherwise.")
        raise FileFault("heading_twice", detail % {"heading": twice[0]})
    return list(cells)
