"""Which kinds of imports there are; another one is named in `KINDS` and nowhere else."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from .check_rows import CheckRows
from .headings import candidates
from .kinds import ImportKind
from .vehicle_rows import VehicleRows

KINDS: Final[tuple[ImportKind, ...]] = (VehicleRows(), CheckRows())


def kind_of(name: str) -> ImportKind:
    return next(each for each in KINDS if each.name == name)


def names() -> list[str]:
    return [each.name for each in KINDS]


def required_columns(kind: ImportKind, said: Mapping[str, str]) -> list[str]:
    """Those that the file has to have; `said` is what the import says of all rows."""
    return [
        each.name for each in kind.columns() if each.is_required and not (each.may_be_given and said.get(each.name))
    ]


def suggested_mapping(kind: ImportKind, headings: Sequence[str]) -> dict[str, str]:
    """Our columns with the headings that mean them and nothing else."""
    return {name: those[0] for name, those in _candidates(kind, headings).items() if len(those) == 1}


def undecided(kind: ImportKind, headings: Sequence[str]) -> dict[str, list[str]]:
    """Our columns for which several headings could be meant; nobody guesses which."""
    return {name: those for name, those in _candidates(kind, headings).items() if len(those) > 1}


def _candidates(kind: ImportKind, headings: Sequence[str]) -> dict[str, list[str]]:
    return candidates([column.name for column in kind.columns()], headings)
