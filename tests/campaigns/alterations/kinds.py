"""The ways in which somebody with all power over the database might alter records, one function each.

Each alters one thing and says by what name it may be told; None where chance led to nothing that can be altered.
"""

from __future__ import annotations

import random
import re
import uuid
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from django.db import connection
from psycopg.types.json import Jsonb

from fleet.checkpoint_keys import origin_of, signing_key
from fleet.models import Checkpoint, LedgerEntry, LedgerLeaf
from fleet.verification import Problem

from .rewriting import regrow, resign, rewrite_entry
from .values import another
from .world import EntryKey, World

STRANGER: Final = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
_LEAVES: Final = re.compile(r"lea(?:f|ves) (\d+)(?: to (\d+))?")
_HEAD: Final = re.compile(r"checkpoint of (\d+) leaves")


@dataclass(frozen=True)
class Altered:
    """What was altered, by every name that it has."""

    what: str
    texts: tuple[str, ...] = ()
    leaves: frozenset[int] = frozenset()
    heads: frozenset[int] = frozenset()
    needs_outside: bool = False

    def is_named_by(self, problem: Problem) -> bool:
        said = str(problem)
        ranges = [(int(a), int(b or a)) for a, b in _LEAVES.findall(said)]
        return (
            any(text in said for text in self.texts)
            or any(a <= leaf <= b for leaf in self.leaves for a, b in ranges)
            or any(int(size) in self.heads for size in _HEAD.findall(problem.record))
        )


Kind = Callable[[World, random.Random], Altered | None]


def _execute(sql: str, values: list[Any]) -> int:
    with connection.cursor() as cursor:
        cursor.execute(sql, values)
        return int(cursor.rowcount)


def _row_names(model: type[Any], *keys: Any) -> tuple[str, ...]:
    return tuple(f"{model._meta.label_lower} {key}" for key in keys)


def _entry_names(*entries: EntryKey) -> tuple[str, ...]:
    names = [f"ledger entry {each.sequence} of book {each.book}" for each in entries]
    return (*names, *(str(each.id) for each in entries))


def _of_entries(what: str, world: World, *entries: EntryKey, needs_outside: bool = False) -> Altered:
    leaves = frozenset(world.leaves[each.id] for each in entries if each.id in world.leaves)
    return Altered(what, _entry_names(*entries), leaves, needs_outside=needs_outside)


def _write(table: str, column: str, value: Any, key: Any) -> None:
    stored = Jsonb(value) if isinstance(value, dict | list) and _is_json(table, column) else value
    _execute(f'UPDATE "{table}" SET "{column}" = %s WHERE id = %s', [stored, key])  # noqa: S608  (names of columns)


def _is_json(table: str, column: str) -> bool:
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT data_type FROM information_schema.columns WHERE table_name = %s AND column_name = %s",
            [table, column],
        )
        return bool(cursor.fetchone()[0] == "jsonb")


@dataclass(frozen=True)
class Changed:
    """An altered column, and the row's id since."""

    column: str
    key: Any


def _changed(model: type[Any], key: Any, columns: list[Any], rng: random.Random) -> Changed | None:
    """Alter one column of a row."""
    column = rng.choice(columns)
    row = model._base_manager.get(pk=key)
    old = getattr(row, column.attname)
    new = another(old, rng) if old is not None else None
    if new == old and type(new) is type(old):
        return None
    _write(model._meta.db_table, column.column, new, key)
    new_key = new if column.primary_key else key
    if getattr(model._base_manager.get(pk=new_key), column.attname) == old:  # rounded away by the column
        return None
    return Changed(column.column, new_key)


def _any_row(world: World, rng: random.Random) -> tuple[type[Any], Any]:
    model = rng.choice(sorted(world.rows, key=lambda each: each._meta.label_lower))
    return model, rng.choice(world.rows[model])


def _kept_columns(model: type[Any]) -> list[Any]:
    private = getattr(model, "private_fields", ())
    return [each for each in model._meta.concrete_fields if each.name not in private]


def row_altered(world: World, rng: random.Random) -> Altered | None:
    model, key = _any_row(world, rng)
    return _of_row(model, key, _changed(model, key, _kept_columns(model), rng))


def _of_row(model: type[Any], key: Any, changed: Changed | None) -> Altered | None:
    if changed is None:
        return None
    return Altered(f"{model._meta.label_lower}.{changed.column}", _row_names(model, key, changed.key))


def row_emptied(world: World, rng: random.Random) -> Altered | None:
    """A value that was there is gone."""
    model, key = _any_row(world, rng)
    column = rng.choice([each for each in _kept_columns(model) if each.null] or [None])
    if column is None or getattr(model._base_manager.get(pk=key), column.attname) is None:
        return None
    _write(model._meta.db_table, column.column, None, key)
    return Altered(f"{model._meta.label_lower}.{column.column}", _row_names(model, key))


def row_deleted(world: World, rng: random.Random) -> Altered | None:
    model, key = _any_row(world, rng)
    _execute(f'DELETE FROM "{model._meta.db_table}" WHERE id = %s', [key])  # noqa: S608  (a table's name)
    return Altered(model._meta.label_lower, _row_names(model, key))


def row_added(world: World, rng: random.Random) -> Altered | None:
    """A copy of a row under another id."""
    model, key = _any_row(world, rng)
    if model._meta.label_lower == "fleet.workshop":
        return None
    row, new = model._base_manager.get(pk=key), uuid.UUID(int=rng.getrandbits(128), version=4)
    row.pk = new
    row._state.adding = True
    for column in row._meta.concrete_fields:
        if column.unique and not column.primary_key:
            setattr(row, column.attname, another(getattr(row, column.attname), rng))
    row.save(force_insert=True)
    return Altered(model._meta.label_lower, _row_names(model, new))


def rows_swapped(world: World, rng: random.Random) -> Altered | None:
    """Two rows of a table have each other's value."""
    model, key = _any_row(world, rng)
    other = rng.choice(world.rows[model])
    column = rng.choice([each for each in _kept_columns(model) if not each.primary_key])
    first, second = (getattr(model._base_manager.get(pk=each), column.attname) for each in (key, other))
    if first == second:
        return None
    _write(model._meta.db_table, column.column, second, key)
    _write(model._meta.db_table, column.column, first, other)
    return Altered(f"{model._meta.label_lower}.{column.column}", _row_names(model, key, other))


def private_content_altered(world: World, rng: random.Random) -> Altered | None:
    """Content of which the ledger knows the hash: a document and what it was drawn from."""
    models = [each for each in world.rows if getattr(each, "hashed_fields", {})]
    model = rng.choice(sorted(models, key=lambda each: each._meta.label_lower))
    key = rng.choice(world.rows[model])
    columns = [model._meta.get_field(name) for name in model.hashed_fields]
    return _of_row(model, key, _changed(model, key, columns, rng))


def personal_data_altered(world: World, rng: random.Random) -> Altered | None:
    """What the ledger has a commitment to."""
    committed = [each for each in world.rows if any(f.name == "commitment_salt" for f in each._meta.concrete_fields)]
    model = rng.choice(sorted(committed, key=lambda each: each._meta.label_lower))
    key = rng.choice(world.rows[model])
    names = ("name", "email", "address", "telephone", "commitment_salt")
    columns = [each for each in model._meta.concrete_fields if each.name in names]
    return _of_row(model, key, _changed(model, key, columns, rng))


def entry_altered(world: World, rng: random.Random) -> Altered | None:
    entry = rng.choice(world.entries)
    changed = _changed(LedgerEntry, entry.id, list(LedgerEntry._meta.concrete_fields), rng)
    return None if changed is None else _of_entries(f"entry.{changed.column}", world, entry)


def entry_deleted(world: World, rng: random.Random) -> Altered | None:
    entry = rng.choice(world.entries)
    _execute("DELETE FROM fleet_ledgerentry WHERE id = %s", [entry.id])
    return _of_entries("entry", world, entry)


def entries_swapped(world: World, rng: random.Random) -> Altered | None:
    """Two entries of a book stand in each other's place."""
    book = rng.choice([each for each in world.books().values() if len(each) > 1])
    first, second = rng.sample(book, 2)
    _execute("UPDATE fleet_ledgerentry SET sequence = 1000000 WHERE id = %s", [first.id])
    _execute("UPDATE fleet_ledgerentry SET sequence = %s WHERE id = %s", [first.sequence, second.id])
    _execute("UPDATE fleet_ledgerentry SET sequence = %s WHERE id = %s", [second.sequence, first.id])
    return _of_entries("entries", world, first, second)


def entry_rechained(world: World, rng: random.Random) -> Altered | None:
    entry = rng.choice(world.entries)
    return _of_entries("entry", world, entry) if rewrite_entry(entry.id, rng) else None


def entry_and_tree_rewritten(world: World, rng: random.Random) -> Altered | None:
    entry = rng.choice(world.entries)
    if not rewrite_entry(entry.id, rng):
        return None
    regrow(world.workshop_id)
    return _of_entries("entry and tree", world, entry)


def history_signed_by_a_stranger(world: World, rng: random.Random) -> Altered | None:
    """Everything rewritten, but without the installation's key: the first head is not good any more."""
    entry = rng.choice(world.entries)
    if not rewrite_entry(entry.id, rng):
        return None
    resign(world.workshop_id, origin_of(world.workshop_id), regrow(world.workshop_id), STRANGER)
    return Altered("entry, tree and heads", _entry_names(entry), heads=frozenset(world.heads))


def history_signed_anew(world: World, rng: random.Random) -> Altered | None:
    """Everything rewritten with the installation's own key: only heads kept outside tell."""
    entry = rng.choice(world.entries)
    if not rewrite_entry(entry.id, rng):
        return None
    resign(world.workshop_id, origin_of(world.workshop_id), regrow(world.workshop_id), signing_key())
    return _of_entries("whole history", world, entry, needs_outside=True)


def history_cut_off(world: World, rng: random.Random) -> Altered | None:
    """What came after some leaf never was; the head over the rest is signed with the installation's key."""
    keep = rng.randrange(1, len(world.leaves))
    cut = [entry for entry in world.entries if world.leaves[entry.id] >= keep]
    roots = regrow(world.workshop_id)
    _execute("DELETE FROM fleet_checkpoint WHERE workshop_id = %s AND size > %s", [world.workshop_id, keep])
    _execute("DELETE FROM fleet_ledgerleaf WHERE workshop_id = %s AND leaf_index >= %s", [world.workshop_id, keep])
    _execute("DELETE FROM fleet_ledgerentry WHERE id = ANY(%s)", [[each.id for each in cut]])
    if keep not in world.heads:
        Checkpoint(workshop_id=world.workshop_id, size=keep, root=roots[keep].hex(), **_blank()).save()
        resign(world.workshop_id, origin_of(world.workshop_id), roots, signing_key())
    heads = frozenset(size for size in world.heads if size > keep)
    altered = _of_entries("end of the history", world, *cut, needs_outside=True)
    texts = tuple(name for each in cut for name in _entry_names(each))
    return Altered(altered.what, texts, altered.leaves, heads, needs_outside=True)


def _blank() -> dict[str, Any]:
    from django.utils import timezone

    return {"made_at": timezone.now(), "note": ""}


def _any_leaf(world: World, rng: random.Random) -> tuple[uuid.UUID, int]:
    return rng.choice(sorted(world.leaves.items(), key=lambda each: each[1]))


def leaf_altered(world: World, rng: random.Random) -> Altered | None:
    key, index = _any_leaf(world, rng)
    columns = [each for each in LedgerLeaf._meta.concrete_fields if each.name != "workshop"]
    changed = _changed(LedgerLeaf, key, columns, rng)
    if changed is None:
        return None
    return Altered(f"leaf.{changed.column}", (str(key), str(changed.key)), frozenset({index}))


def leaf_deleted(world: World, rng: random.Random) -> Altered | None:
    key, index = _any_leaf(world, rng)
    _execute("DELETE FROM fleet_ledgerleaf WHERE id = %s", [key])
    last_head = frozenset({max(world.heads)}) if index == len(world.leaves) - 1 else frozenset()
    return Altered("leaf", (str(key),), frozenset({index}), last_head)


def leaves_swapped(world: World, rng: random.Random) -> Altered | None:
    """Two leaves stand in each other's place, and the tree is made anew over them."""
    (first, one), (second, two) = _any_leaf(world, rng), _any_leaf(world, rng)
    if first == second:
        return None
    _execute("UPDATE fleet_ledgerleaf SET leaf_index = 1000000 WHERE id = %s", [first])
    _execute("UPDATE fleet_ledgerleaf SET leaf_index = %s WHERE id = %s", [one, second])
    _execute("UPDATE fleet_ledgerleaf SET leaf_index = %s WHERE id = %s", [two, first])
    if rng.random() < 0.5:
        regrow(world.workshop_id)
    return Altered("leaves", (str(first), str(second)), frozenset({one, two}))


def _any_head(rng: random.Random, world: World) -> Checkpoint:
    return Checkpoint.objects.get(workshop_id=world.workshop_id, size=rng.choice(world.heads))


def head_altered(world: World, rng: random.Random) -> Altered | None:
    head = _any_head(rng, world)
    columns = [each for each in Checkpoint._meta.concrete_fields if each.name not in ("id", "workshop")]
    changed = _changed(Checkpoint, head.pk, columns, rng)
    if changed is None:
        return None
    now = Checkpoint.objects.get(pk=head.pk).size
    return Altered(f"head.{changed.column}", heads=frozenset({head.size, now}))


def head_deleted(world: World, rng: random.Random) -> Altered | None:
    head = _any_head(rng, world)
    _execute("DELETE FROM fleet_checkpoint WHERE id = %s", [head.pk])
    return Altered("head", heads=frozenset({head.size}))


def heads_swapped(world: World, rng: random.Random) -> Altered | None:
    first, second = _any_head(rng, world), _any_head(rng, world)
    if first.pk == second.pk:
        return None
    columns = rng.choice((["note"], ["root"], ["root", "note", "made_at"]))
    for column in columns:
        _write("fleet_checkpoint", column, getattr(second, column), first.pk)
        _write("fleet_checkpoint", column, getattr(first, column), second.pk)
    return Altered("heads", heads=frozenset({first.size, second.size}))


def head_signed_over_another_root(world: World, rng: random.Random) -> Altered | None:
    """A head that says something untrue, signed with the installation's key."""
    head = _any_head(rng, world)
    roots = {each.size: bytes.fromhex(each.root) for each in Checkpoint.objects.filter(workshop_id=world.workshop_id)}
    roots[head.size] = _other_bytes(roots[head.size], rng)
    resign(world.workshop_id, origin_of(world.workshop_id), roots, signing_key())
    return Altered("head", heads=frozenset({head.size}))


def _other_bytes(value: bytes, rng: random.Random) -> bytes:
    place = rng.randrange(len(value))
    return value[:place] + bytes([value[place] ^ 1]) + value[place + 1 :]


@dataclass(frozen=True)
class Weighted:
    kind: Kind
    weight: int = field(default=1)


KINDS: Final = (
    Weighted(row_altered, 12),
    Weighted(row_emptied, 3),
    Weighted(row_deleted, 4),
    Weighted(row_added, 3),
    Weighted(rows_swapped, 4),
    Weighted(private_content_altered, 2),
    Weighted(personal_data_altered, 2),
    Weighted(entry_altered, 8),
    Weighted(entry_deleted, 3),
    Weighted(entries_swapped, 2),
    Weighted(entry_rechained, 3),
    Weighted(entry_and_tree_rewritten, 2),
    Weighted(history_signed_by_a_stranger, 1),
    Weighted(history_signed_anew, 2),
    Weighted(history_cut_off, 1),
    Weighted(leaf_altered, 3),
    Weighted(leaf_deleted, 2),
    Weighted(leaves_swapped, 2),
    Weighted(head_altered, 3),
    Weighted(head_deleted, 2),
    Weighted(heads_swapped, 2),
    Weighted(head_signed_over_another_root, 1),
)
