"""Every row of every table that the ledger keeps, against what its last entry says."""

from __future__ import annotations

import hashlib
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

from django.apps import apps
from django.db.models import Model, QuerySet

from fleet.canonical import canonical
from fleet.ledger import row_content
from fleet.models import LedgerEntry, TenantModel, Vehicle, Workshop

from .entries import AT_ONCE, Said, SaidOfRows, digest_of
from .problem import Problem, entry_name, row_name

LARGE_AT_ONCE: Final = 50
"""Of rows that hold documents."""


@dataclass
class RowsRead:
    rows: int = 0


def kept_models() -> list[type[TenantModel | Workshop]]:
    """The tables whose rows the ledger keeps."""
    tenant = [each for each in apps.get_models() if issubclass(each, TenantModel) and each.kept_by_ledger]
    return [Workshop, *tenant]


def read_rows(workshop_id: uuid.UUID, said: SaidOfRows, read: RowsRead) -> Iterator[Problem]:
    """Compare all rows; fills `read` and gives what is wrong."""
    for model in kept_models():
        told = said.pop(model._meta.label_lower, {})
        # The database's owner, as whom the command runs, may list other workshops.
        rows = model._base_manager.filter(pk=workshop_id) if model is Workshop else model._base_manager.all()
        yield from _table(rows, told, read)
    for label, told in said.items():
        yield from (_not_there(label, key, each) for key, each in told.items())


def read_told_rows(workshop_id: uuid.UUID, said: SaidOfRows, read: RowsRead) -> Iterator[Problem]:
    """Compare the rows that some books tell of, the workshop's among them, where these have the last word: about rows
    of their vehicles, and about set-up. What belongs to neither (how well somebody measures) other books may tell of.
    """
    for model in kept_models():
        told = dict(said.get(model._meta.label_lower, {}))
        if not is_of_vehicles(model):
            told = _of_set_up(workshop_id, told)
        yield from _table(model._base_manager.filter(pk__in=list(told)), told, read)


@cache
def is_of_vehicles(model: type[Model]) -> bool:
    """Tell whether each row belongs to one vehicle: it is one, or refers to what belongs to one."""
    targets = {field.related_model for field in model._meta.concrete_fields if field.many_to_one or field.one_to_one}
    return model is Vehicle or any(is_of_vehicles(each) for each in targets - {model, None})


def _of_set_up(workshop_id: uuid.UUID, told: dict[str, Said]) -> dict[str, Said]:
    """Those of which the last word is in the workshop's own book."""
    entries = {each.entry_id for each in told.values()}
    own = set(LedgerEntry.objects.filter(pk__in=entries, book=workshop_id).values_list("pk", flat=True))
    return {key: each for key, each in told.items() if each.entry_id in own}


def _table(rows: QuerySet[Any], told: dict[str, Said], read: RowsRead) -> Iterator[Problem]:
    label = rows.model._meta.label_lower
    at_once = LARGE_AT_ONCE if getattr(rows.model, "hashed_fields", {}) else AT_ONCE
    for row in rows.order_by("pk").iterator(chunk_size=at_once):
        read.rows += 1
        yield from _row(row, row_name(label, str(row.pk)), told.pop(str(row.pk), None))
    yield from (_not_there(label, key, each) for key, each in told.items())


def _row(row: Any, name: str, said: Said | None) -> Iterator[Problem]:
    content = row_content(row)
    if said is None:
        if not _is_not_yet_kept(row):
            yield Problem(name, "no ledger entry tells of it")
    elif digest_of(content) != said.digest:
        yield _differs(name, content, row._meta.label_lower, str(row.pk), said)
    for field, hash_field in getattr(row, "hashed_fields", {}).items():
        if _sha256_of(getattr(row, field)) != getattr(row, hash_field):
            yield Problem(name, f"its {field} has another SHA-256 than {hash_field} says")


def _is_not_yet_kept(row: Model) -> bool:
    values = getattr(row, "not_yet_kept_while", {})
    return bool(values) and all(getattr(row, field) == value for field, value in values.items())


def _differs(name: str, content: dict[str, Any], label: str, key: str, said: Said) -> Problem:
    entry = LedgerEntry.objects.get(pk=said.entry_id)
    told = next(row for row in reversed(entry.payload["rows"][label]) if row["id"] == key)
    fields = sorted(each for each in content.keys() | told.keys() if content.get(each) != told.get(each))
    return Problem(name, f"it differs from {_entry(entry)} in {', '.join(fields) or 'the form of its values'}")


def _not_there(label: str, key: str, said: Said) -> Problem:
    entry = LedgerEntry.objects.get(pk=said.entry_id)
    return Problem(row_name(label, key), f"it is not in its table; {_entry(entry)} tells of it")


def _entry(entry: LedgerEntry) -> str:
    return entry_name(entry.pk, entry.book, entry.sequence)


def _sha256_of(value: Any) -> str:
    content = bytes(value) if isinstance(value, bytes | memoryview) else canonical(value)
    return hashlib.sha256(content).hexdigest()
