"""An archive that somebody hands in: opened within limits, and every member held against the manifest's SHA-256.

Nothing is unpacked onto a disk, so that no name can lead anywhere; names that are none of an archive's are refused
all the same. What is read is bounded by what the manifest says, whatever the ZIP file's own headers claim.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import lzma
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import IO, Any, Final, Self

from django.utils.translation import gettext as _

from .members import (
    DENSITY_FROM,
    FORMAT,
    KEYS,
    LARGEST_MANIFEST,
    LEDGER,
    MANIFEST,
    MOST_DENSE,
    MOST_MEMBERS,
    NAME,
    VERSION,
    ArchiveError,
    Manifest,
    Member,
)

BLOCK: Final = 262_144
LONGEST_CELL: Final = 50_000_000
DAMAGED: Final = (
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
    EOFError,
    OSError,
    RuntimeError,
    NotImplementedError,
    ValueError,
)
"""What the library raises over a file that is no ZIP file or a damaged, encrypted or strangely packed one."""


class Archive:
    """An open archive whose names, sizes and manifest are good. `verify` looks at the contents."""

    def __init__(self, zip_file: zipfile.ZipFile, manifest: Manifest) -> None:
        self.manifest = manifest
        self._zip = zip_file
        self._members = {each.name: each for each in manifest.members}

    @classmethod
    @contextmanager
    def opened(cls, file: IO[bytes], *, largest: int) -> Iterator[Self]:
        """`largest` is the number of bytes to which the whole may unpack. Raises `ArchiveError`."""
        try:
            zip_file = zipfile.ZipFile(file)
        except DAMAGED:
            raise ArchiveError("not_an_archive", _("This is no ZIP file, or it is cut off or damaged.")) from None
        with zip_file:
            infos = _good_infos(zip_file)
            archive = cls(zip_file, _manifest(zip_file, infos))
            _require_as_listed(infos, archive._members, largest)
            yield archive

    def verify(self) -> None:
        """Read every member and compare; the error names the first that is not what the manifest says."""
        for member in self.manifest.members:
            digest, size = hashlib.sha256(), 0
            with self.open(member.name) as content:
                while block := content.read(BLOCK):
                    digest.update(block)
                    size += len(block)
            if size != member.size or digest.hexdigest() != member.sha256:
                text = _("%(member)s is not what it was when the archive was made: its SHA-256 is another.")
                raise ArchiveError("altered", text % {"member": member.name}, member.name)

    def has(self, name: str) -> bool:
        return name in self._members

    @contextmanager
    def open(self, name: str) -> Iterator[IO[bytes]]:
        """A member to read. A damaged one is an `ArchiveError` wherever it is noticed."""
        if name not in self._members:
            raise ArchiveError("member_missing", _("%(member)s is missing.") % {"member": name}, name)
        try:
            with self._zip.open(name) as raw:
                yield io.BufferedReader(_Bounded(raw, self._members[name]), BLOCK)
        except DAMAGED:
            raise ArchiveError("altered", _("%(member)s is damaged.") % {"member": name}, name) from None

    def rows(self, name: str) -> Iterator[tuple[int, list[str]]]:
        """The lines of a table with their numbers, the names of the columns first."""
        csv.field_size_limit(LONGEST_CELL)
        with self.open(name) as content:
            reader = csv.reader(io.TextIOWrapper(content, encoding="utf-8-sig", newline=""), strict=True)
            while True:
                try:
                    row = next(reader)
                except StopIteration:
                    return
                except (csv.Error, UnicodeDecodeError) as error:
                    detail = _("%(member)s, line %(line)s cannot be read: %(why)s")
                    values = {"member": name, "line": reader.line_num, "why": error}
                    raise ArchiveError("unreadable", detail % values, name) from None
                yield reader.line_num, row

    def ledger_only(self, target: IO[bytes]) -> None:
        """The manifest and the ledger into a ZIP file of their own: what stays as evidence, without any name."""
        with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as kept:
            for name in LEDGER:
                with self.open(name) as source, kept.open(zipfile.ZipInfo(name), "w", force_zip64=True) as copy:
                    while block := source.read(BLOCK):
                        copy.write(block)
            kept.writestr(zipfile.ZipInfo(MANIFEST), json.dumps(self._manifest_of_ledger(), indent=1, sort_keys=True))

    def _manifest_of_ledger(self) -> dict[str, Any]:
        members = [each for each in self.manifest.members if each.name in LEDGER]
        return replace(self.manifest, members=members, missing=[], left_out={}).as_dict()

    def text_of_keys(self) -> str:
        with self.open(KEYS) as content:
            return content.read(BLOCK).decode(errors="replace")


class _Bounded(io.RawIOBase):
    """Gives no more than the manifest says, and one byte that shows that there was more."""

    def __init__(self, raw: IO[bytes], member: Member) -> None:
        self._raw, self._left = raw, member.size + 1

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        block = self._raw.read(min(len(buffer), self._left))
        self._left -= len(block)
        buffer[: len(block)] = block
        return len(block)


def _good_infos(zip_file: zipfile.ZipFile) -> dict[str, zipfile.ZipInfo]:
    infos = zip_file.infolist()
    if len(infos) > MOST_MEMBERS:
        raise ArchiveError("too_large", _("The archive has more than %(most)s files.") % {"most": MOST_MEMBERS})
    found: dict[str, zipfile.ZipInfo] = {}
    for info in infos:
        if not NAME.fullmatch(info.filename) or info.is_dir() or (info.external_attr >> 16) & 0o170000 == 0o120000:
            text = _("“%(member)s” is no name of a file in an archive of a workshop.")
            raise ArchiveError("strange_name", text % {"member": info.filename[:100]}, info.filename[:100])
        if info.filename in found:
            text = _("%(member)s is there twice.") % {"member": info.filename}
            raise ArchiveError("strange_name", text, info.filename)
        if info.file_size > DENSITY_FROM and info.file_size > MOST_DENSE * max(info.compress_size, 1):
            text = _("%(member)s unpacks to more than it can hold of records.") % {"member": info.filename}
            raise ArchiveError("too_large", text, info.filename)
        found[info.filename] = info
    return found


def _manifest(zip_file: zipfile.ZipFile, infos: dict[str, zipfile.ZipInfo]) -> Manifest:
    if MANIFEST not in infos:
        raise ArchiveError("no_manifest", _("There is no manifest.json: this is no archive of a workshop."), MANIFEST)
    try:
        with zip_file.open(MANIFEST) as content:
            written = content.read(LARGEST_MANIFEST + 1)
        told = json.loads(written) if len(written) <= LARGEST_MANIFEST else None
    except (*DAMAGED, RecursionError):
        told = None
    if not isinstance(told, dict) or told.get("format") != FORMAT:
        raise ArchiveError("no_manifest", _("manifest.json is damaged, or of something else."), MANIFEST)
    if told.get("version") != VERSION:
        text = _("The archive has version %(found)s; this service reads version %(known)s. Use a newer service.")
        values = {"found": str(told.get("version"))[:20], "known": VERSION}
        raise ArchiveError("unknown_version", text % values, MANIFEST)
    try:
        return _read(told)
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError):
        raise ArchiveError("no_manifest", _("manifest.json is damaged, or of something else."), MANIFEST) from None


def _read(told: dict[str, Any]) -> Manifest:
    members = [Member(str(each["name"]), int(each["size"]), str(each["sha256"])) for each in told["members"]]
    counts = {str(name): int(count) for name, count in told["counts"].items()}
    texts: dict[str, Any] = {
        name: str(told[name]) for name in ("made_at", "made_by", "epoch", "workshop_id", "workshop", "origin")
    }
    if "\0" in "".join([*texts.values(), *counts]):
        raise ValueError("NUL")
    "".join([*texts.values(), *counts]).encode()  # half a character cannot be stored either
    return Manifest(**texts, counts=counts, members=members, missing=[str(each) for each in told["missing"]])


def _require_as_listed(infos: dict[str, zipfile.ZipInfo], members: dict[str, Member], largest: int) -> None:
    for name in sorted(members.keys() ^ (infos.keys() - {MANIFEST})):
        text = _("%(member)s is missing.") if name in members else _("%(member)s does not stand in the manifest.")
        code = "member_missing" if name in members else "member_unknown"
        raise ArchiveError(code, text % {"member": name}, name)
    total = sum(max(each.size, 0) for each in members.values())
    if total > largest or any(each.size < 0 for each in members.values()):
        text = _("The archive unpacks to %(size)s bytes; this service takes %(most)s at most.")
        raise ArchiveError("too_large", text % {"size": total, "most": largest})
