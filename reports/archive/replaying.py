"""The ledger of an archive goes on in the workshop that takes it in.

Every old entry becomes an entry of the same book, kind, time, actor and id, chained anew, which says in `taken_in` of
which intake it is and what the old one's hash was. Its rows are told as they are here: of this workshop, by this
installation's accounts, without those of tables that no archive holds. The old ledger itself is kept as it was.
"""

from __future__ import annotations

import hashlib
import uuid
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any, Final, NamedTuple

from django.utils.translation import gettext as _

from calibration.services.photos import path_of_picture
from fleet.canonical import canonical
from fleet.ledger import FIRST_PREVIOUS_HASH, row_content
from fleet.models import LedgerEntry
from fleet.verification.rows import kept_models

from .members import ENTRIES, ArchiveError
from .old_ledger import entries_of
from .opening import Archive
from .rows_in import rows_store
from .tables import PEOPLE, PHOTOS, WORKSHOP, Table, tables

AT_ONCE: Final = 500
TIMES: Final = ("recorded_at", "device_at")
TOLD_ANEW: Final[Mapping[str, frozenset[str]]] = {
    WORKSHOP: frozenset({"id", "created_at", "is_demo"}),
    PEOPLE: frozenset({"user_id", "is_active", "commitment"}),
    "fleet.operator": frozenset({"commitment"}),
}
"""Columns that are others here: the entries at the end of the intake tell of these rows once more."""


class _Said(NamedTuple):
    """What an entry says of a row, as a SHA-256."""

    book: str
    entry: str
    digest: bytes


class Replay:
    """Goes through the old entries once; then knows what they say last of every row."""

    def __init__(
        self, archive: Archive, *, workshop_id: uuid.UUID, intake_id: uuid.UUID, accounts: Mapping[uuid.UUID, uuid.UUID]
    ) -> None:
        self.archive, self.workshop_id, self.intake_id = archive, workshop_id, intake_id
        self.entries = 0
        self._old_workshop = archive.manifest.workshop_id
        self._accounts = {str(person): str(account) for person, account in accounts.items()}
        self._tables = {table.label: table for table in tables()}
        self._said: dict[str, dict[str, _Said]] = {}
        """By table and id."""
        self._end = ("", 0, FIRST_PREVIOUS_HASH)
        """Of the book that is being written: its name, its last sequence and hash."""

    def run(self) -> None:
        piece: list[LedgerEntry] = []
        for old, old_hash in entries_of(self.archive):
            piece.append(self._entry(old, old_hash))
            if len(piece) == AT_ONCE:
                rows_store(LedgerEntry, piece, ENTRIES)
                piece = []
        rows_store(LedgerEntry, piece, ENTRIES)

    def _entry(self, old: dict[str, Any], old_hash: str) -> LedgerEntry:
        try:
            new = self._translated(old, old_hash)
            if new["book"] != self._end[0]:  # books come one after the other
                self._end = (new["book"], *_end_of(new["book"]))
            new |= {"sequence": self._end[1] + 1, "previous_hash": self._end[2]}
            new["hash"] = hashlib.sha256(canonical(new)).hexdigest()
            entry = LedgerEntry(**{**new, **{name: _time(new[name]) for name in TIMES}})
            self._note(new)
        except (AttributeError, KeyError, TypeError, ValueError):
            text = _("%(member)s: ledger entry %(entry)s has not the form that entries have.")
            raise _altered(text, entry=str(old.get("id"))[:40]) from None
        self._end = (new["book"], new["sequence"], new["hash"])
        self.entries += 1
        return entry

    def _translated(self, old: dict[str, Any], old_hash: str) -> dict[str, Any]:
        here = str(self.workshop_id)
        is_of_workshop = old["record_type"] == WORKSHOP
        rows = {
            label: [self._row(label, row) for row in told]
            for label, told in old["payload"]["rows"].items()
            if label in self._tables
        }
        return {
            **old,
            "workshop_id": here,
            "book": here if old["book"] == self._old_workshop else old["book"],
            "record_id": here if is_of_workshop else old["record_id"],
            "payload": {
                **old["payload"],
                "rows": rows,
                "taken_in": {"intake": str(self.intake_id), "hash": old_hash, **_before(old["payload"])},
            },
        }

    def _row(self, label: str, row: Mapping[str, Any]) -> dict[str, Any]:
        if label == WORKSHOP:
            return {**row, "id": str(self.workshop_id)}
        new = {**row, "workshop_id": str(self.workshop_id)}
        if label == PEOPLE:
            new["user_id"] = self._accounts.get(row["id"], row["user_id"])
        elif label in PHOTOS:
            new["path"] = path_of_picture(self.workshop_id, row["sha256"])
        return new

    def _note(self, entry: Mapping[str, Any]) -> None:
        """What an entry says last of a row: within a book the last one, of two books the younger entry."""
        for label, rows in entry["payload"]["rows"].items():
            said = self._said.setdefault(label, {})
            for row in rows:
                known = said.get(row["id"])
                if known is None or known.book == entry["book"] or known.entry < entry["id"]:
                    said[row["id"]] = _Said(entry["book"], entry["id"], _digest(label, row))

    def compare(self) -> None:
        """Every row against what the old ledger says of it. Raises `ArchiveError` naming the first that differs."""
        kept = {model._meta.label_lower for model in kept_models()}
        for label, table in self._tables.items():
            said = self._said.pop(label, {})
            if label in kept and label != WORKSHOP:
                for row in self._taken_in(table):
                    told = said.pop(str(row.pk), None)
                    if told is None or told.digest != _digest(label, row_content(row)):
                        text = _("%(table)s %(id)s is not what the ledger of the archive says of it.")
                        values = {"table": label, "id": row.pk}
                        raise ArchiveError("differs_from_ledger", text % values, table.member)
                for key in said:
                    text = _("%(table)s %(id)s is missing; the ledger of the archive tells of it.")
                    raise ArchiveError("differs_from_ledger", text % {"table": label, "id": key}, table.member)

    def _taken_in(self, table: Table) -> Iterator[Any]:
        rows = table.model._base_manager.order_by("pk")
        if table.label == PEOPLE:
            rows = rows.filter(pk__in=self._accounts)
        large = getattr(table.model, "hashed_fields", None)
        return rows.defer(*(large or ())).iterator(chunk_size=AT_ONCE)


def _before(payload: Mapping[str, Any]) -> dict[str, Any]:
    """What an entry says of an earlier intake: a workshop may move more than once."""
    return {"before": payload["taken_in"]} if "taken_in" in payload else {}


def _digest(label: str, row: Mapping[str, Any]) -> bytes:
    aside = TOLD_ANEW.get(label)
    content = {name: value for name, value in row.items() if name not in aside} if aside else row
    return hashlib.sha256(canonical(content)).digest()


def _end_of(book: str) -> tuple[int, str]:
    last = LedgerEntry.objects.filter(book=book).order_by("-sequence").values_list("sequence", "hash").first()
    return last or (0, FIRST_PREVIOUS_HASH)


def _time(text: str | None) -> datetime | None:
    return datetime.fromisoformat(text) if text is not None else None


def _altered(text: str, **values: Any) -> ArchiveError:
    return ArchiveError("altered", text % {"member": ENTRIES, **values}, ENTRIES)
