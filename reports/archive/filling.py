"""From the workshop of the running transaction to an archive. Everything is read in pieces of bounded size."""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from typing import IO, Any, Final

from django.core.files.storage import default_storage
from django.db.models import Model, QuerySet

from fleet.canonical import canonical
from fleet.checkpoint_keys import known_keys, origin_of
from fleet.ledger import row_content
from fleet.models import Checkpoint, Installation, LedgerEntry, LedgerLeaf, Workshop
from fleet.signed_heads import verifier_key
from fleet.tenancy import current_workshop_id

from ..models import CertificateFile
from . import dictionary
from .cells import guarded, text_of
from .members import (
    DICTIONARY_CSV,
    DICTIONARY_TEXT,
    ENDINGS,
    ENTRIES,
    HEADS,
    KEYS,
    LEAVES,
    Manifest,
)
from .people import STAND_IN
from .tables import CERTIFICATE_FILES, LEFT_OUT, PEOPLE, PHOTOS, WORKSHOP, Table, table_of, tables
from .writing import ArchiveWriter

AT_ONCE: Final = 2_000
LARGE_AT_ONCE: Final = 50
"""Of rows that hold documents."""
MADE_BY: Final = "Levelbook"


def archive_write(file: IO[bytes], *, workshop_id: Any, now: datetime) -> Manifest:
    """The whole workshop into a file that is open for writing; gives the manifest, which stands at its end."""
    writer = ArchiveWriter(file, now)
    writer.bytes_member(DICTIONARY_TEXT, dictionary.as_text().encode())
    writer.bytes_member(DICTIONARY_CSV, dictionary.as_csv().encode())
    counts = {table.label: writer.csv_member(table.member, table.columns, _rows(table)) for table in tables()}
    counts["certificates"] = _certificates(writer)
    counts["photos"], missing = _photos(writer)
    counts |= _ledger(writer, workshop_id)
    manifest = Manifest(
        made_at=now.isoformat(),
        made_by=MADE_BY,
        epoch=str(Installation.objects.get().epoch),
        workshop_id=str(workshop_id),
        workshop=Workshop.objects.get(pk=workshop_id).name,
        origin=origin_of(workshop_id),
        counts=counts,
        members=writer.members,
        missing=missing,
        left_out=dict(LEFT_OUT),
    )
    writer.finish(manifest)
    return manifest


def certificate_member(number: int) -> str:
    return f"certificates/{number}.pdf"


def photo_member(label: str, sha256: str, media_type: str) -> str:
    return f"photos/{label.partition('.')[2]}/{sha256}.{ENDINGS[media_type]}"


def _rows(table: Table) -> Iterator[list[str]]:
    fields, added = table.fields, _ADDED.get(table.label)
    names = [each.attname for each in fields]
    rows = _in_order(table).values_list(*names, *(added[0] if added else ()))
    for row in rows.iterator(chunk_size=LARGE_AT_ONCE if table.label == CERTIFICATE_FILES else AT_ONCE):
        cells = [text_of(field, value) for field, value in zip(fields, row, strict=False)]
        yield [*cells, guarded(added[1](row[len(fields) :]))] if added else cells


def _in_order(table: Table) -> QuerySet[Model]:
    rows = table.model._base_manager.order_by(*table.order)
    # The database's owner, as whom commands run, may list other workshops.
    return rows.filter(pk=current_workshop_id()) if table.label == WORKSHOP else rows


def _email(row: Sequence[Any]) -> str:
    email: str = row[0]
    return "" if email.endswith(STAND_IN) else email


def _photo(label: str) -> Callable[[Sequence[Any]], str]:
    return lambda row: photo_member(label, row[0], row[1])


_ADDED: Final[dict[str, tuple[tuple[str, ...], Callable[[Sequence[Any]], str]]]] = {
    PEOPLE: (("user__email",), _email),
    CERTIFICATE_FILES: (("certificate__number",), lambda row: certificate_member(row[0])),
    **{label: (("sha256", "media_type"), _photo(label)) for label in PHOTOS},
}
"""What the added column of a table is made of, and how."""


def _certificates(writer: ArchiveWriter) -> int:
    files = CertificateFile.objects.order_by("certificate__number").values_list("certificate__number", "pdf")
    count = 0
    for number, pdf in files.iterator(chunk_size=LARGE_AT_ONCE):
        writer.bytes_member(certificate_member(number), bytes(pdf))
        count += 1
    return count


def _photos(writer: ArchiveWriter) -> tuple[int, list[str]]:
    """Every picture once; and which were not in the file store."""
    count, missing = 0, []
    for label in PHOTOS:
        photos = table_of(label).model._base_manager.order_by("sha256", "media_type", "path")
        for sha256, media_type, path in (
            photos.values_list("sha256", "media_type", "path").distinct().iterator(chunk_size=AT_ONCE)
        ):
            name = photo_member(label, sha256, media_type)
            try:
                with default_storage.open(path) as picture:
                    writer.file_member(name, picture)
                count += 1
            except FileNotFoundError:
                missing.append(name)
    return count, missing


def _ledger(writer: ArchiveWriter, workshop_id: Any) -> dict[str, int]:
    with writer.member(ENTRIES) as member:
        entries = _write_lines(member, (covered_line(each) for each in _entries()))
    leaves = writer.csv_member(LEAVES, ("leaf_index", "entry_id", "hash"), _leaves())
    with writer.member(HEADS) as member:
        heads = _write_lines(member, map(_head_line, Checkpoint.objects.order_by("size").iterator(AT_ONCE)))
    keys = "".join(f"{verifier_key(origin_of(workshop_id), key)}\n" for key in known_keys())
    writer.bytes_member(KEYS, keys.encode())
    return {"ledger_entries": entries, "leaves": leaves, "heads": heads}


def covered_line(entry: LedgerEntry) -> bytes:
    """The bytes over which an entry's hash is; the payload is JSON as it is."""
    payload, entry.payload = entry.payload, None
    content = row_content(entry) | {"payload": payload}
    del content["hash"]
    return canonical(content)


def _entries() -> Iterator[LedgerEntry]:
    return LedgerEntry.objects.order_by("book", "sequence").iterator(chunk_size=AT_ONCE)


def _leaves() -> Iterator[tuple[str, str, str]]:
    leaves = LedgerLeaf.objects.order_by("leaf_index").values_list("leaf_index", "pk", "nodes")
    hashes = dict[Any, str]()
    for piece in _pieces(leaves.iterator(chunk_size=AT_ONCE)):
        hashes = dict(LedgerEntry.objects.filter(pk__in=[row[1] for row in piece]).values_list("pk", "hash"))
        yield from ((str(index), str(key), hashes[key]) for index, key, _nodes in piece)


def _pieces(rows: Iterator[Any]) -> Iterator[list[Any]]:
    piece: list[Any] = []
    for row in rows:
        piece.append(row)
        if len(piece) == AT_ONCE:
            yield piece
            piece = []
    yield piece


def _head_line(head: Checkpoint) -> bytes:
    return json.dumps({"size": head.size, "note": head.note}, ensure_ascii=False).encode()


def _write_lines(member: io.RawIOBase, lines: Iterator[bytes]) -> int:
    count = 0
    for count, line in enumerate(lines, 1):  # noqa: B007
        member.write(line + b"\n")
    return count
