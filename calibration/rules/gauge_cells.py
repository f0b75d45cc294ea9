"""Which readings make a balanced gauge study: the same corners, read as often by each of several people.

A study needs every part read by every appraiser equally often. Of what was measured the largest such part is taken:
people who did not read every corner twice are left out and named, and of more readings than all others have the first
ones count.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any
from uuid import UUID

import numpy as np
from numpy.typing import NDArray

LEAST_OF_EACH = 2
"""Parts, people and readings of a corner: with fewer nothing can be told apart."""

Part = tuple[UUID, str]
"""A job and a corner of its vehicle: what stood still while several people measured it."""


@dataclass(frozen=True, slots=True)
class StudyReading:
    """One reading as its deviation from target, mm."""

    part: Part
    person: UUID
    instrument: UUID
    deviation_mm: float


@dataclass(frozen=True, slots=True)
class BalancedCells:
    """What goes into a study. `instruments` has two or more where equipment is a factor of its own, else none."""

    parts: tuple[Part, ...]
    people: tuple[UUID, ...]
    instruments: tuple[UUID, ...]
    left_out: tuple[UUID, ...]
    """People who did not read every part often enough."""
    deviations_mm: NDArray[np.float64]
    """Shape (parts, people, replicates), or (parts, people, instruments, replicates)."""

    @property
    def replicates(self) -> int:
        return int(self.deviations_mm.shape[-1])


def balanced_cells(readings: Iterable[StudyReading]) -> BalancedCells | None:
    """The largest balanced study in the readings, given in the order in which they were read; None if there is none."""
    given = list(readings)
    parts = tuple(dict.fromkeys(each.part for each in given))
    everybody = tuple(dict.fromkeys(each.person for each in given))
    by_person = _cells(given, lambda each: (each.part, each.person))
    people = tuple(each for each in everybody if _are_full(by_person, [parts, [each]]))
    if min(len(parts), len(people)) < LEAST_OF_EACH:
        return None
    instruments = _crossed_instruments(given, parts, people)
    axes: list[Sequence[Any]] = [parts, people, instruments] if instruments else [parts, people]
    cells = _cells(given, lambda each: (each.part, each.person, each.instrument)[: len(axes)])
    left_out = tuple(each for each in everybody if each not in people)
    return BalancedCells(parts, people, instruments, left_out, _array(cells, axes))


def _crossed_instruments(
    readings: Sequence[StudyReading], parts: Sequence[Part], people: Sequence[UUID]
) -> tuple[UUID, ...]:
    """Those with which each of these people read every part; fewer than two are no factor."""
    cells = _cells(readings, lambda each: (each.part, each.person, each.instrument))
    used = dict.fromkeys(each.instrument for each in readings)
    found = tuple(each for each in used if _are_full(cells, [parts, people, [each]]))
    return found if len(found) >= LEAST_OF_EACH else ()


Cells = dict[tuple[Any, ...], list[float]]


def _cells(readings: Iterable[StudyReading], key: Callable[[StudyReading], tuple[Any, ...]]) -> Cells:
    found: Cells = defaultdict(list)
    for each in readings:
        found[key(each)].append(each.deviation_mm)
    return dict(found)


def _are_full(cells: Cells, axes: Sequence[Sequence[Any]]) -> bool:
    return all(len(cells.get(key, ())) >= LEAST_OF_EACH for key in product(*axes))


def _array(cells: Cells, axes: Sequence[Sequence[Any]]) -> NDArray[np.float64]:
    keys = list(product(*axes))
    replicates = min(len(cells[key]) for key in keys)
    values = [cells[key][:replicates] for key in keys]
    return np.array(values).reshape(*(len(axis) for axis in axes), replicates)
