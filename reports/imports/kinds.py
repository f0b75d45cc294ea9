"""The kinds of imports. To add one: a class like those of `vehicle_rows` and `check_rows`, named in `registry`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from fleet.actor import Actor

from .columns import Column, Reading
from .faults import Fault
from .sources import Row


@dataclass
class Piece:
    """Some rows of a file that are carried out together, and what came of them."""

    actor: Actor
    facts: dict[str, object]
    """What the ledger says of how the records came."""
    mapping: dict[str, str]
    reading: Reading
    rows: Sequence[Row]
    has_no_effect: bool
    """Whatever it records is taken back."""
    seen: dict[str, str] = field(default_factory=dict)
    """Where it has no effect: fingerprints of rows that earlier pieces accepted, by what identifies them."""
    known: int = 0
    faults: dict[int, list[Fault]] = field(default_factory=dict)
    """By line."""
    vehicles: set[Any] = field(default_factory=set)
    """Ids of those of which something was recorded that drift follows from."""
    accepted_keys: dict[str, str] = field(default_factory=dict)

    def refuse(self, line: int, faults: Sequence[Fault]) -> None:
        self.faults.setdefault(line, []).extend(faults)


class ImportKind(Protocol):
    """What rows of a kind mean, and how they are recorded."""

    name: str
    label: Any
    explanation: Any

    def columns(self) -> Sequence[Column]: ...

    def keys(self, piece: Piece) -> set[str]:
        """What identifies rows of the piece beyond their content, to be looked up among those seen before."""
        ...

    def carry_out(self, piece: Piece) -> None:
        """Record the rows by the services; says in the piece which were refused and which known."""
        ...


_kinds: dict[str, ImportKind] = {}


def register(kind: ImportKind) -> None:
    _kinds[kind.name] = kind


def kind_of(name: str) -> ImportKind:
    return _kinds[name]


def kinds() -> list[ImportKind]:
    return list(_kinds.values())


def required_columns(kind: ImportKind) -> list[str]:
    return [each.name for each in kind.columns() if each.is_required]


def suggested_mapping(kind: ImportKind, headings: Sequence[str]) -> dict[str, str]:
    """Our columns with the headings that are written alike, whatever their case and spaces."""
    written = {_plain(each): each for each in headings}
    found = ((column.name, written.get(_plain(column.name))) for column in kind.columns())
    return {name: heading for name, heading in found if heading is not None}


def _plain(name: str) -> str:
    return name.strip().lower().replace(" ", "_").replace("-", "_")
