"""What stories are made of: visits to the bay, height checks between them, alerts that somebody answers."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Final

from .clock import bay_day, winter_day, working_day
from .visit import Rest, Visit

Errors = Mapping[str, float]
"""How far corners are off their targets on arrival, mm."""
Telling = Callable[[Visit], Iterator[Rest] | None]
"""What is done at a visit; one that takes days rests in between."""


class Season(StrEnum):
    """Where a scene lies, if not so many days ago."""

    ANY = "any"
    IN_THE_BAY = "in the bay"
    """The vehicle is still here: it came on the last working day that is over."""
    MIDWINTER = "midwinter"
    SINCE_MIDWINTER = "since midwinter"
    """Half-way from then to now."""


_DAYS_AGO: Final[Mapping[Season, Callable[[datetime], int]]] = {
    Season.IN_THE_BAY: bay_day,
    Season.MIDWINTER: winter_day,
    Season.SINCE_MIDWINTER: lambda now: winter_day(now) // 2,
}


@dataclass(frozen=True, slots=True)
class Scene:
    """What all scenes say: when, by whom; `ages_mm`: what happened to the heights all at once since the last one."""

    days_ago: int
    hour: int
    who: str
    odometer_km: int
    ages_mm: Errors = field(default_factory=dict, kw_only=True)
    season: Season = field(default=Season.ANY, kw_only=True)

    def starts_at(self, now: datetime) -> datetime:
        """On a working day in the past, seldom on the hour."""
        days_of = _DAYS_AGO.get(self.season)
        days = self.days_ago if days_of is None else days_of(now)
        return working_day(now, days, self.hour, 7 * (self.odometer_km % 8))


@dataclass(frozen=True, slots=True)
class Job(Scene):
    """A visit to the bay."""

    reason: str
    telling: Telling
    note: str = ""


@dataclass(frozen=True, slots=True)
class Check(Scene):
    """Heights measured outside a job: by a technician with the workshop's tape, or by the operator with their own."""

    note: str = ""
    loading: str = "as_specified"


@dataclass(frozen=True, slots=True)
class Answer(Scene):
    """Somebody sees the vehicle's alerts and says what is to be done."""

    note: str


@dataclass(frozen=True, slots=True)
class Story:
    """One vehicle. `vin` is complete but for its check digit, which position 9 leaves open as 0."""

    key: str
    model: str
    operator: str
    registration: str
    model_year: int
    serial: str
    scenes: tuple[Scene, ...]
    errors_mm: Errors = field(default_factory=dict)
    faulty: tuple[str, str] | None = None
    """A corner and its fault."""
    drifts_mm_per_year: Errors = field(default_factory=dict)
    leaks_mm_per_h: Errors = field(default_factory=dict)
