"""How well people repeat their readings: known to an upper layer, which registers its function here."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass
from uuid import UUID


@dataclass(frozen=True, slots=True)
class PersonWithInstrument:
    """What repeated readings of one person with one instrument have shown."""

    membership_id: UUID
    person: str
    instrument_id: UUID
    serial: str
    standard_deviation_mm: float
    """Repeatability s_r, the prior included."""
    groups: int
    """Corners read more than once."""
    slips: int
    """Groups whose readings lay too far apart to be repetitions."""

    @property
    def slip_percent(self) -> float:
        return 100 * self.slips / self.groups if self.groups else 0.0


RepeatabilityFinder = Callable[[Collection[UUID], Collection[UUID]], list[PersonWithInstrument]]
"""(memberships, instruments) → each pair of which something is known; an empty collection asks for none of its kind."""

_finders: list[RepeatabilityFinder] = []


def register_repeatability_finder(function: RepeatabilityFinder) -> None:
    """Say who knows how well people repeat their readings."""
    _finders[:] = [function]


def repeatability_of_people(memberships: Collection[UUID]) -> list[PersonWithInstrument]:
    """Of these people with whatever they have used."""
    return [known for find in _finders for known in find(memberships, ())]


def repeatability_with_instruments(instruments: Collection[UUID]) -> list[PersonWithInstrument]:
    """With these instruments by whoever has used them."""
    return [known for find in _finders for known in find((), instruments)]
