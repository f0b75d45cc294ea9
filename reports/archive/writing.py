"""A ZIP file, written member by member, of which the SHA-256 and the size of each are noted."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from typing import IO, Final

from .members import MANIFEST, Manifest, Member

BYTE_ORDER_MARK: Final = "\ufeff"
BLOCK: Final = 65_536


class ArchiveWriter:
    """Writes into a file that is open. Nothing is held but the member at hand and the list of names."""

    def __init__(self, file: IO[bytes], made_at: datetime) -> None:
        self.members: list[Member] = []
        self._zip = zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, allowZip64=True)
        self._date = made_at.timetuple()[:6]

    @contextmanager
    def member(self, name: str, *, is_packed: bool = True) -> Iterator[_HashedWriter]:
        info = zipfile.ZipInfo(name, self._date)
        info.compress_type = zipfile.ZIP_DEFLATED if is_packed else zipfile.ZIP_STORED
        info.external_attr = 0o600 << 16
        with self._zip.open(info, "w", force_zip64=True) as raw:
            writer = _HashedWriter(raw)
            yield writer
        self.members.append(Member(name, writer.size, writer.digest.hexdigest()))

    def bytes_member(self, name: str, content: bytes, *, is_packed: bool = True) -> None:
        with self.member(name, is_packed=is_packed) as member:
            member.write(content)

    def file_member(self, name: str, source: IO[bytes]) -> None:
        """A picture, which packing would not make smaller."""
        with self.member(name, is_packed=False) as member:
            while block := source.read(BLOCK):
                member.write(block)

    def csv_member(self, name: str, columns: Sequence[str], rows: Iterable[Sequence[str]]) -> int:
        """A table; gives the number of its rows."""
        count = 0
        with self.member(name) as member:
            text = io.TextIOWrapper(member, encoding="utf-8", newline="", write_through=False)  # type: ignore[type-var]
            text.write(BYTE_ORDER_MARK)
            writer = csv.writer(text)
            writer.writerow(columns)
            for count, row in enumerate(rows, 1):  # noqa: B007  (the last one counts)
                writer.writerow(row)
            text.flush()
            text.detach()
        return count

    def finish(self, manifest: Manifest) -> None:
        """The manifest last: it has the hashes of all others."""
        content = json.dumps(manifest.as_dict(), ensure_ascii=False, indent=1, sort_keys=True)
        self.bytes_member(MANIFEST, content.encode())
        self._zip.close()


class _HashedWriter(io.RawIOBase):
    """Passes on what is written, and hashes it."""

    def __init__(self, raw: IO[bytes]) -> None:
        self.digest = hashlib.sha256()
        self.size = 0
        self._raw = raw

    def writable(self) -> bool:
        return True

    def write(self, data: object) -> int:
        content = bytes(data)  # type: ignore[call-overload]
        self.digest.update(content)
        self.size += len(content)
        self._raw.write(content)
        return len(content)
