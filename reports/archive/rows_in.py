"""The tables of an archive become rows of the workshop of the running transaction, with their ids."""

from __future__ import annotations

import hashlib
import secrets
import uuid
from collections.abc import Iterator, Mapping
from typing import Any, Final

from django.db import DatabaseError, transaction
from django.db.models import Field, Model
from django.utils.translation import gettext as _

from calibration.services.photos import path_of_picture, picture_keep
from fleet.canonical import canonical
from fleet.models import Workshop
from fleet.services.changes import store

from .cells import CellError, unguarded, value_of
from .filling import photo_member
from .members import ArchiveError
from .opening import Archive
from .people import members_before, prepare_person
from .tables import CERTIFICATE_FILES, FILE, PEOPLE, PHOTOS, WORKSHOP, Table, tables

AT_ONCE: Final = 1_000
LARGE_AT_ONCE: Final = 50
LARGEST_FILE: Final = 50_000_000
"""Bytes of one PDF or picture, which is held as a whole."""
TAKEN: Final = "23505"
UNKNOWN_REFERENCE: Final = "23503"
REFUSED_STATES: Final = ("22", "23", "LB")
"""Classes of what the database says of data: no value, a constraint, a trigger of ours. Anything else is no refusal."""
CODE_CONSTRAINT: Final = "reports_certificate_code"
OPERATORS: Final = "fleet.operator"


def rows_take_in(archive: Archive, workshop_id: uuid.UUID) -> dict[uuid.UUID, uuid.UUID]:
    """All tables, each after those that it refers to; gives the account of each person who came."""
    taker = _Taker(archive, workshop_id)
    for table in tables():
        taker.take(table)
    return taker.accounts


def pictures_take_in(archive: Archive, workshop_id: uuid.UUID) -> None:
    """The pictures that rows name; last of all, since files do not go when a transaction is undone."""
    for table in tables():
        if table.label in PHOTOS:
            rows = table.model._base_manager.values_list("sha256", "media_type")
            for sha256, media_type in rows.distinct().iterator(chunk_size=AT_ONCE):
                name = photo_member(table.label, sha256, media_type)
                if archive.has(name):
                    picture_keep(path_of_picture(workshop_id, sha256), _content(archive, name, sha256))


class _Taker:
    def __init__(self, archive: Archive, workshop_id: uuid.UUID) -> None:
        self.archive, self.workshop_id = archive, workshop_id
        self.accounts: dict[uuid.UUID, uuid.UUID] = {}
        self._members_before = members_before()
        self._missing = frozenset(archive.manifest.missing)

    def take(self, table: Table) -> None:
        count, piece = 0, []
        at_once = LARGE_AT_ONCE if table.label == CERTIFICATE_FILES else AT_ONCE
        for line, values in self._values(table):
            try:
                self._complete(table, values)
            except CellError as error:
                raise _bad_cell(table, line, "", error) from None
            if table.label == WORKSHOP:
                store(Workshop.objects.select_for_update(no_key=True).get(pk=self.workshop_id), values)
            else:
                piece.append(table.model(**values))
            count += 1
            if len(piece) == at_once:
                _insert(table, piece)
                piece = []
        _insert(table, piece)
        if count != self.archive.manifest.counts.get(table.label) or (table.label == WORKSHOP and count != 1):
            text = _("%(member)s has %(found)s rows; the manifest says %(told)s.")
            told = self.archive.manifest.counts.get(table.label)
            values = {"member": table.member, "found": count, "told": str(told)}
            raise ArchiveError("altered", text % values, table.member)

    def _values(self, table: Table) -> Iterator[tuple[int, dict[str, Any]]]:
        rows = self.archive.rows(table.member)
        _line, header = next(rows, (1, []))
        columns = _known_columns(table, header)
        for line, row in rows:
            if len(row) != len(columns):
                text = _("%(member)s, line %(line)s has %(found)s cells instead of %(wanted)s.")
                values = {"member": table.member, "line": line, "found": len(row), "wanted": len(columns)}
                raise ArchiveError("unreadable", text % values, table.member)
            yield line, _read(table, line, dict(zip(columns.items(), row, strict=True)))

    def _complete(self, table: Table, values: dict[str, Any]) -> None:
        """What stands in files, belongs to this workshop alone, or is never in an archive."""
        if table.label == WORKSHOP:
            return
        values["workshop_id"] = self.workshop_id
        if table.label == PEOPLE:
            prepare_person(values, self._members_before)
            self.accounts[values["id"]] = values["user_id"]
        elif table.label == OPERATORS:
            values["commitment_salt"] = secrets.token_bytes(16)
        elif table.label in PHOTOS:
            self._complete_photo(table, values)
        elif table.label == CERTIFICATE_FILES:
            self._complete_certificate(values)

    def _complete_photo(self, table: Table, values: dict[str, Any]) -> None:
        name = values.pop(FILE)
        if name != _named(photo_member, table.label, values["sha256"], values["media_type"]):
            raise CellError(_("“%(name)s” is not the file of this picture") % {"name": name[:120]})
        if not self.archive.has(name) and name not in self._missing:
            raise CellError(_("“%(name)s” is missing from the archive") % {"name": name})
        values["path"] = path_of_picture(self.workshop_id, values["sha256"])

    def _complete_certificate(self, values: dict[str, Any]) -> None:
        name = values.pop(FILE)
        values["pdf"] = _content(self.archive, name, values["sha256"])
        if _sha256_of(values["snapshot"]) != values["snapshot_sha256"]:
            raise CellError(_("the snapshot has another SHA-256 than snapshot_sha256"))


def _sha256_of(snapshot: Any) -> str | None:
    """None of what has no canonical form: half characters, numbers beyond the range."""
    try:
        return hashlib.sha256(canonical(snapshot)).hexdigest()
    except (TypeError, ValueError):
        return None


def _named(maker: Any, *values: str) -> str | None:
    try:
        name: str = maker(*values)
    except KeyError:
        return None
    return name


def _content(archive: Archive, name: str, sha256: str) -> bytes:
    """A PDF or picture, which is what its row says that it is."""
    with archive.open(name) as source:
        content = source.read(LARGEST_FILE + 1)
    if hashlib.sha256(content).hexdigest() != sha256:
        raise ArchiveError("altered", _("%(member)s has another SHA-256 than its row.") % {"member": name}, name)
    return content


def _known_columns(table: Table, header: list[str]) -> Mapping[str, Field[Any, Any] | None]:
    """The columns that are there, in their order. Later ones that may be left away are given their default."""
    fields: dict[str, Field[Any, Any] | None] = {each.attname: each for each in table.fields}
    if table.added:
        fields[table.added.name] = None
    unknown = [name for name in header if name not in fields]
    needed = [name for name, field in fields.items() if name not in header and not _may_be_absent(field)]
    if unknown or needed or len(set(header)) != len(header):
        text = _("%(member)s has other columns than this service knows: %(names)s. It is of another version.")
        names = ", ".join([*unknown, *needed])[:200]
        raise ArchiveError("unknown_version", text % {"member": table.member, "names": names}, table.member)
    return {name: fields[name] for name in header}


def _may_be_absent(field: Field[Any, Any] | None) -> bool:
    return field is not None and not field.primary_key and (field.null or field.has_default())


def _read(table: Table, line: int, row: Mapping[tuple[str, Field[Any, Any] | None], str]) -> dict[str, Any]:
    values = {}
    for (name, field), text in row.items():
        try:
            values[name] = value_of(field, text) if field is not None else unguarded(text)
        except CellError as error:
            raise _bad_cell(table, line, name, error) from None
    return values


def _bad_cell(table: Table, line: int, column: str, error: CellError) -> ArchiveError:
    text = _("%(member)s, line %(line)s, %(column)s: %(why)s")
    values = {"member": table.member, "line": line, "column": column or FILE, "why": error}
    return ArchiveError("bad_value", text % values, table.member)


def _insert(table: Table, rows: list[Any]) -> None:
    if rows:
        rows_store(table.model, rows, table.member)


def rows_store(model: type[Model], rows: list[Any], member: str) -> None:
    """Put rows of a member into their table. What the database refuses is an `ArchiveError`."""
    try:
        with transaction.atomic():
            model._base_manager.bulk_create(rows)
    except DatabaseError as error:
        raise _refusal(member, error) from None


def _refusal(member: str, error: DatabaseError) -> ArchiveError:
    cause: Any = error.__cause__
    diagnosis = getattr(cause, "diag", None)
    constraint = getattr(diagnosis, "constraint_name", None) or ""
    state = getattr(diagnosis, "sqlstate", None)
    if state == TAKEN and (constraint == CODE_CONSTRAINT or constraint.endswith("_pkey")):
        return ArchiveError(
            "already_here",
            _(
                "Another workshop of this installation has these records already, and the codes of their certificates. "
                "Records and codes are there once in an installation: take the archive in with another one."
            ),
            member,
        )
    if state is None or state[:2] not in REFUSED_STATES:
        raise error
    what = _("a row refers to one that is not there before it") if state == UNKNOWN_REFERENCE else constraint or state
    text = _("%(member)s: the database refuses its rows (%(what)s).")
    return ArchiveError("refused_rows", text % {"member": member, "what": what}, member)
