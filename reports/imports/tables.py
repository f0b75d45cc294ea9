"""From a kept file to its rows: directly, or from the lines that were made of it."""

from __future__ import annotations

import codecs
import io
import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from django.conf import settings

from ..models import ImportFile
from . import spreadsheet, storage
from .sources import LONGEST_HEADING, MOST_COLUMNS, ArraySource, CsvSource, NdjsonSource, Row, Source

BLOCK: Final = 262_144
SAMPLED: Final = 20
UTF16: Final = "utf-16"


@dataclass(frozen=True)
class Sample:
    """What a file begins with."""

    headings: Sequence[str]
    rows: Sequence[Mapping[str, Any]]
    is_error_file: bool = False
    """Of an earlier import, as it made it or put right (`error_file`)."""
    unread: Row | None = None
    """The first of the rows, where none of them can be read."""


def needs_rows(file: ImportFile) -> bool:
    """Whether it cannot be read from its middle as it is, so that its rows are written out first."""
    return file.format == ImportFile.Format.XLSX or file.encoding == UTF16


def rows_write_out(file: ImportFile) -> int:
    """Keep the rows of such a file as lines of text; how many. Raises `FileFault`."""
    counted = _Counted(_written_out(file, storage.content_of(file, of_rows=False)))
    storage.keep(file, counted, of_rows=True)
    return counted.lines


def source_of(file: ImportFile) -> Source:
    """The rows of a file, whichever way they are kept. Raises `FileFault`."""
    return _source(file, storage.content_of(file, of_rows=needs_rows(file)))


def sample_of(file: ImportFile, most: int = SAMPLED) -> Sample:
    """Headings and the first rows, before anything is written out. Raises `FileFault`."""
    stream: Any = storage.content_of(file, of_rows=False)
    if needs_rows(file):
        stream = io.BytesIO(next(_written_out(file, stream), b""))
    source = _source(file, stream)
    first = list(itertools.islice(source.rows(), most))
    rows = [row.values for row in first if row.fault is None]
    unread = first[0] if first and not rows else None
    return Sample(source.headings or _names_in(rows), rows, source.is_error_file, unread)


def _names_in(rows: Sequence[Mapping[str, Any]]) -> Sequence[str]:
    """What rows name themselves, as many and as long as headings may be: each is offered for every column."""
    names = dict.fromkeys(name for row in rows for name in row if len(name) <= LONGEST_HEADING)
    return list(itertools.islice(names, MOST_COLUMNS))


def _source(file: ImportFile, stream: Any) -> Source:
    if file.format == ImportFile.Format.XLSX:
        return ArraySource(stream)
    return NdjsonSource(stream) if file.format == ImportFile.Format.NDJSON else CsvSource(stream, file.delimiter)


def _written_out(file: ImportFile, stream: io.BufferedReader) -> Iterator[bytes]:
    if file.format == ImportFile.Format.XLSX:
        return spreadsheet.rows_written_out(stream, settings.IMPORT_MOST_ROWS)
    return _in_utf8(stream)


def _in_utf8(stream: io.BufferedReader) -> Iterator[bytes]:
    decoder = codecs.getincrementaldecoder("utf-16")("replace")
    while block := stream.read(BLOCK):
        yield decoder.decode(block).encode("utf-8", "replace")
    yield decoder.decode(b"", final=True).encode("utf-8", "replace")


class _Counted(Iterator[bytes]):
    """Blocks as they are, with their line breaks counted."""

    def __init__(self, blocks: Iterator[bytes]) -> None:
        self.blocks, self.lines = blocks, 0

    def __next__(self) -> bytes:
        block = next(self.blocks)
        self.lines += block.count(b"\n")
        return block
