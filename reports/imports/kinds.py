"""What a kind of import is, and the pieces that it carries out."""

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
    unjudged: int = 0
    """Checks of a day on which no specification was in force."""
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
