"""The content of a file in the database, in pieces: kept and removed with its row, read from any place."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterable, Iterator
from typing import Any, Final

from ..models import ImportFile, ImportFilePart

PART_BYTES: Final = 256 * 1024


def keep(file: ImportFile, blocks: Iterable[bytes], *, of_rows: bool) -> None:
    """Store what comes, in parts of one size."""
    for number, content in enumerate(_parts(blocks)):
        ImportFilePart.objects.create(file=file, of_rows=of_rows, number=number, content=content)


def digest_of(blocks: Iterable[bytes]) -> str:
    digest = hashlib.sha256()
    for block in blocks:
        digest.update(block)
    return digest.hexdigest()


def content_of(file: ImportFile, *, of_rows: bool) -> io.BufferedReader:
    """The file's own bytes, or those of its rows, to be read from wherever one likes."""
    return io.BufferedReader(_Parts(file, of_rows=of_rows), PART_BYTES)


def has_rows(file: ImportFile) -> bool:
    return ImportFilePart.objects.filter(file=file, of_rows=True).exists()


def remove_content(file: ImportFile) -> None:
    ImportFilePart.objects.filter(file=file).delete()


def _parts(blocks: Iterable[bytes]) -> Iterator[bytes]:
    pending = bytearray()
    for block in blocks:
        pending += block
        while len(pending) >= PART_BYTES:
            yield bytes(pending[:PART_BYTES])
            del pending[:PART_BYTES]
    if pending:
        yield bytes(pending)


class _Parts(io.RawIOBase):
    """One part at a time in memory."""

    def __init__(self, file: ImportFile, *, of_rows: bool) -> None:
        self._parts = ImportFilePart.objects.filter(file=file, of_rows=of_rows)
        last = self._parts.order_by("-number").first()
        self._size = 0 if last is None else last.number * PART_BYTES + len(last.content)
        self._position = 0
        self._number, self._content = -1, b""

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        start = {io.SEEK_SET: 0, io.SEEK_CUR: self._position, io.SEEK_END: self._size}[whence]
        self._position = max(start + offset, 0)
        return self._position

    def readinto(self, buffer: Any) -> int:
        if self._position >= self._size:
            return 0
        number, start = divmod(self._position, PART_BYTES)
        if number != self._number:
            content = self._parts.filter(number=number).values_list("content", flat=True)[0]
            self._number, self._content = number, bytes(content)
        found = self._content[start : start + len(buffer)]
        buffer[: len(found)] = found
        self._position += len(found)
        return len(found)
