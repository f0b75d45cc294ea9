"""What would decide an undecided verdict: more readings in the latest round, or further rounds.

Both are reckoned at the present mean, with the uncertainty that the pool would then have. Source: the guard
band rule of ILAC-G8:09/2019 (w = U) applied to the budgets of `pooling`. Every length is in millimetres.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from .conformity import fewest_to_decide
from .pooling import CornerRound, pool_corner
from .uncertainty import side_difference_budget

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from .corners import Corner

READINGS_MAX_TO_DECIDE = 6
"""Readings at a corner in one round beyond which another round tells more."""
FURTHER_ROUNDS_MAX = 3


@dataclass(frozen=True, slots=True)
class OpenQuestion:
    """An undecided corner (one entry in `corners` and `rounds`) or side (two, left first)."""

    corners: tuple[Corner, ...]
    rounds: tuple[tuple[CornerRound, ...], ...]
    deviation_mm: float
    limit_mm: float
    settling_mm: float

    @property
    def _room(self) -> tuple[int, ...]:
        """Further readings that the latest round still has room for, corner by corner."""
        return tuple(max(0, READINGS_MAX_TO_DECIDE - of_corner[-1].readings) for of_corner in self.rounds)

    def readings_to_decide(self) -> dict[Corner, int]:
        """Further readings in the latest round, per corner, that would decide; empty if none would."""
        steps = fewest_to_decide(
            self.deviation_mm,
            self.limit_mm,
            (self._expanded_with_readings(further) for further in range(1, max(self._room) + 1)),
        )
        if steps is None:
            return {}
        return {corner: min(steps, room) for corner, room in zip(self.corners, self._room, strict=True)}

    def rounds_to_decide(self) -> int | None:
        """Further rounds of two readings that would decide; None if three would not."""
        return fewest_to_decide(
            self.deviation_mm,
            self.limit_mm,
            (self._expanded_with_rounds(further) for further in range(1, FURTHER_ROUNDS_MAX + 1)),
        )

    def _expanded_with_readings(self, further: int) -> float:
        return self._expanded(
            [
                (*of_corner[:-1], of_corner[-1].with_more_readings(min(further, room)))
                for of_corner, room in zip(self.rounds, self._room, strict=True)
            ]
        )

    def _expanded_with_rounds(self, further: int) -> float:
        return self._expanded([of_corner + (of_corner[-1].repeated(),) * further for of_corner in self.rounds])

    def _expanded(self, rounds: Sequence[Sequence[CornerRound]]) -> float:
        budgets = [pool_corner(of_corner, self.settling_mm).budget for of_corner in rounds]
        return (budgets[0] if len(budgets) == 1 else side_difference_budget(*budgets)).expanded_uncertainty_mm


def readings_to_decide(questions: Collection[OpenQuestion]) -> dict[Corner, int]:
    """Further readings wanted per corner: the most that any question decidable by readings asks for."""
    wanted: dict[Corner, int] = {}
    for question in questions:
        for corner, further in question.readings_to_decide().items():
            wanted[corner] = max(further, wanted.get(corner, 0))
    return wanted


def rounds_to_decide(questions: Collection[OpenQuestion]) -> int | None:
    """Further rounds that would decide all the questions; None if three would not, or nothing is open."""
    needed = [question.rounds_to_decide() for question in questions]
    known = [rounds for rounds in needed if rounds is not None]
    return max(known) if known and len(known) == len(needed) else None
