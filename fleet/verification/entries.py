"""The ledger's books, entry by entry, and what their last entries say of every row."""

from __future__ import annotations

import hashlib
import uuid
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple

from fleet.canonical import canonical
from fleet.ledger import FIRST_PREVIOUS_HASH, row_content
from fleet.models import LedgerEntry

from .problem import Problem, entry_name

AT_ONCE: Final = 2_000


class Said(NamedTuple):
    """What an entry says of a row, as the hash of its canonical JSON."""

    digest: bytes
    entry_id: uuid.UUID


SaidOfRows = dict[str, dict[str, Said]]
"""By table and the row's id."""
RowsWritten = dict[str, list[bytes]]
"""By table, in its canonical order, the canonical JSON of an entry's rows."""


@dataclass
class BooksRead:
    """What reading the books has brought together."""

    entries: int = 0
    books: int = 0
    said: SaidOfRows = field(default_factory=dict)


def read_books(read: BooksRead, books: Collection[uuid.UUID] | None = None) -> Iterator[Problem]:
    """Go through all books, or some, each in its order; fills `read` and gives what is wrong."""
    book, sequence, last_hash = None, 0, FIRST_PREVIOUS_HASH
    said_here: SaidOfRows = {}
    entries = LedgerEntry.objects.all() if books is None else LedgerEntry.objects.filter(book__in=books)
    for entry in entries.order_by("book", "sequence").iterator(chunk_size=AT_ONCE):
        if entry.book != book:
            _merge(read.said, said_here)
            book, sequence, last_hash, said_here = entry.book, 0, FIRST_PREVIOUS_HASH, {}
            read.books += 1
        if entry.sequence != sequence + 1:
            yield Problem(f"ledger entry {sequence + 1} of book {book}", f"it is missing; {_name(entry)} stands there")
        elif entry.previous_hash != last_hash:
            yield Problem(_name(entry), "it does not carry the hash of the entry before it")
        try:
            written = _rows_written(entry)
            _note_rows(said_here, entry, written)
            payload = _payload(entry, written)
        except (AttributeError, KeyError, TypeError):
            yield Problem(_name(entry), "its payload has not the form that payloads have")
            payload = canonical(entry.payload)
        if hashlib.sha256(_covered(entry, payload)).hexdigest() != entry.hash:
            yield Problem(_name(entry), "its content has another hash than the one it carries")
        sequence, last_hash = entry.sequence, entry.hash
        read.entries += 1
    _merge(read.said, said_here)


def digest_of(content: Any) -> bytes:
    return hashlib.sha256(canonical(content)).digest()


def _covered(entry: LedgerEntry, payload: bytes) -> bytes:
    """What the entry's hash is over, as `fleet.ledger.entry_hash` has it; its payload is canonical JSON already."""
    entry.payload = None
    content = row_content(entry)
    del content["hash"]
    before = canonical({name: each for name, each in content.items() if name < "payload"})
    after = canonical({name: each for name, each in content.items() if name > "payload"})
    return b'%s,"payload":%s,%s' % (before[:-1], payload, after[1:])


def _name(entry: LedgerEntry) -> str:
    return entry_name(entry.pk, entry.book, entry.sequence)


def _rows_written(entry: LedgerEntry) -> RowsWritten:
    return {label: [canonical(row) for row in rows] for label, rows in sorted(entry.payload["rows"].items())}


def _note_rows(said: SaidOfRows, entry: LedgerEntry, written: RowsWritten) -> None:
    for label, rows in entry.payload["rows"].items():
        told = said.setdefault(label, {})
        for row, text in zip(rows, written[label], strict=True):
            told[row["id"]] = Said(hashlib.sha256(text).digest(), entry.pk)


def _payload(entry: LedgerEntry, written: RowsWritten) -> bytes:
    """The payload's canonical JSON, put together from that of its rows, which takes longest to make."""
    tables = b",".join(b"%s:[%s]" % (canonical(label), b",".join(rows)) for label, rows in written.items())
    members = {name: canonical(each) for name, each in entry.payload.items() if name != "rows"}
    members["rows"] = b"{%s}" % tables
    return b"{%s}" % b",".join(b"%s:%s" % (canonical(name), text) for name, text in sorted(members.items()))


def _merge(said: SaidOfRows, of_book: SaidOfRows) -> None:
    """Within a book the last entry counts. A row told of in two books (a refiled job) is as the younger entry says:
    both were made while the row was locked, so their ids follow on each other."""
    for label, rows in of_book.items():
        told = said.setdefault(label, {})
        for key, here in rows.items():
            known = told.get(key)
            if known is None or known.entry_id < here.entry_id:
                told[key] = here
