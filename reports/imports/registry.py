"""Which kinds of imports there are; another one is named in `KINDS` and nowhere else."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from .check_rows import CheckRows
from .kinds import ImportKind
from .vehicle_rows import VehicleRows

KINDS: Final[tuple[ImportKind, ...]] = (VehicleRows(), CheckRows())


def kind_of(name: str) -> ImportKind:
    return next(each for each in KINDS if each.name == name)


def names() -> list[str]:
    return [each.name for each in KINDS]


def required_columns(kind: ImportKind) -> list[str]:
    return [each.name for each in kind.columns() if each.is_required]


def suggested_mapping(kind: ImportKind, headings: Sequence[str]) -> dict[str, str]:
    """Our columns with the headings that are written alike, whatever their case and spaces."""
    written = {_plain(each): each for each in headings}
    found = ((column.name, written.get(_plain(column.name))) for column in kind.columns())
    return {name: heading for name, heading in found if heading is not None}


def _plain(name: str) -> str:
    return name.strip().lower().replace(" ", "_").replace("-", "_")
