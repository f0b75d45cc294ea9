"""What a job, and what happens between jobs, tells of how a vehicle's heights drift."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, tzinfo

import numpy as np

from ..metrology.corners import CORNERS, Corner
from ..metrology.drift_series import (
    Basis,
    FourCorners,
    Judged,
    Measured,
    Moved,
    Observation,
    PutRight,
    SeriesState,
    Worked,
)
from ..metrology.pooling import RoundMeasurement, pool
from ..metrology.rate_prior import RatePrior
from ..metrology.response import UNKNOWN_HEIGHT_VARIANCE_MM2, counts_changed, move_variance, prior_from_specification
from ..metrology.specification import Specification
from ..metrology.uncertainty import Budget
from .check_due import NOT_BY_DISTANCE, CheckInterval, DueByDistance, OdometerReading, due_by_distance, months_after
from .course import VOIDING_KINDS, as_counts, measurement_of, steps
from .record import Ended, Fact, Resumed, RoundMeasured, Setpoints, SignedOff, WriteDone
from .standing import Standing

EPOCH = datetime(2000, 1, 1, tzinfo=UTC)
"""Day 0 of stored drift."""
DAY = timedelta(days=1)
DAYS_PER_MONTH = 365.25 / 12.0
BREAKING_KINDS = VOIDING_KINDS | {"alignment", "collision"}
"""Events after which a corner's series starts afresh; of another kind of event nobody knows what it was about."""


@dataclass(frozen=True, slots=True)
class Timed:
    """An observation with the times by which it finds its place: when it happened and when it was recorded."""

    at: datetime
    recorded_at: datetime
    observation: Observation


def day_of(at: datetime) -> float:
    return (at - EPOCH) / DAY


def time_of_day(day: float) -> datetime:
    return EPOCH + day * DAY


@dataclass(frozen=True, slots=True)
class Due:
    """When the next check is due: the day by its months, inf where none are specified, and by distance."""

    day: float = math.inf
    by_distance: DueByDistance = NOT_BY_DISTANCE

    @property
    def first_day(self) -> float:
        return min(self.day, self.by_distance.day)

    @property
    def at_km(self) -> float | None:
        """The odometer by which it is due; None where a date comes first."""
        return self.by_distance.at_km if self.by_distance.day < self.day else None


NOTHING_DUE = Due()


def due_after(state: SeriesState, readings: Sequence[OdometerReading], zone: tzinfo) -> Due:
    """By the check interval of what a series is judged by, from its last measurement; `zone` is the workshop's."""
    if state.basis is None or not np.any(state.states.visits > 0):
        return NOTHING_DUE
    measured_day = float(np.max(state.states.day))
    by_distance = due_by_distance(readings, measured_day, state.basis.interval_km)
    return Due(due_day(measured_day, state.basis.interval_days, zone), by_distance)


def due_day(measured_day: float, interval_days: float, zone: tzinfo) -> float:
    """The day of the next check, counted in months as people do from the day of the last one where that was done.

    A day of the calendar: it stands for its beginning in UTC, whatever the zone. inf where no interval is specified.
    """
    if math.isinf(interval_days):
        return math.inf
    measured_on = time_of_day(measured_day).astimezone(zone).date()
    due = months_after(measured_on, round(interval_days / DAYS_PER_MONTH))
    return day_of(datetime(due.year, due.month, due.day, tzinfo=UTC))


def basis_of(specification: Specification, interval: CheckInterval) -> Basis:
    """What heights are judged by; the targets of a concession are in the specification given."""
    a, b, c, d = (specification.target_mm(corner) for corner in CORNERS)
    e, f, g, h = (specification.tolerance_mm(corner) for corner in CORNERS)
    days = math.inf if interval.months is None else interval.months * DAYS_PER_MONTH
    km = math.inf if interval.km is None else interval.km
    return Basis((a, b, c, d), (e, f, g, h), specification.side_difference_max_mm, days, km)


def measured_at(at: datetime, rounds: Sequence[RoundMeasurement], basis: Basis, settling_mm: float) -> Measured:
    """Whole rounds of one visit as one observation, with its uncertainty."""
    return heights_at(at, [(each.mean_mm, each.budget) for each in pool(rounds, settling_mm)], basis)


def heights_at(at: datetime, heights: Sequence[tuple[float, Budget]], basis: Basis) -> Measured:
    """The heights of all four corners, each with its budget, as one observation."""
    return Measured(
        day_of(at),
        basis,
        _four(height for height, _budget in heights),
        _four(budget.standard_uncertainty_mm**2 for _height, budget in heights),
        _four(budget.standard_uncertainty_of("instrument") ** 2 for _height, budget in heights),
        _four(budget.expanded_uncertainty_mm for _height, budget in heights),
    )


def of_event(
    at: datetime, kind: str, corner: Corner | None, specification: Specification | None, prior: RatePrior
) -> Worked | None:
    """What an event breaks: its corner with the one that shares its set-point, or all; None where it breaks nothing."""
    if kind not in BREAKING_KINDS:
        return None
    partner = specification.linked_with(corner) if specification and corner else None
    a, b, c, d = (corner is None or each in (corner, partner) for each in CORNERS)
    return Worked(day_of(at), (a, b, c, d), prior)


def of_job(standing: Standing, interval: CheckInterval) -> list[Timed]:
    """What a job tells: its pools of settled rounds, each as one, what was written between them, and its sign-off.

    While a concession is in force its targets hold, until the next job opens.
    """
    own, in_force = standing.record.specification, standing.specification
    if own is None or in_force is None:
        return []
    walk = _Walk(standing, in_force, basis_of(in_force, interval))
    opened_at = standing.record.opened_at
    walk.tell(opened_at, opened_at, Judged(day_of(opened_at), basis_of(own, interval)))
    return walk.through()


@dataclass(slots=True)
class _Walk:
    """Goes through a job once."""

    standing: Standing
    specification: Specification
    basis: Basis
    found: list[Timed] = field(default_factory=list)
    pool: list[RoundMeasured] = field(default_factory=list)
    stored: Setpoints | None = None
    elsewhere: set[Corner] = field(default_factory=set)
    """Corners whose counts were found changed since they were last measured: by whom and when nobody knows."""

    def through(self) -> list[Timed]:
        self.stored = self.standing.record.previous_setpoints
        for fact, course in steps(self.standing.record):
            if self.pool and not (course.pool and course.pool[0] is self.pool[0]):
                self._tell_pool()
            self.pool = list(course.pool)
            self._take(fact)
        self._tell_pool()
        return self.found

    def tell(self, at: datetime, recorded_at: datetime, observation: Observation) -> None:
        self.found.append(Timed(at, recorded_at, observation))

    def _take(self, fact: Fact) -> None:
        match fact:
            case RoundMeasured() | Resumed():
                self.elsewhere |= _changed(self.stored, fact.setpoints)
                self.stored = fact.setpoints
            case WriteDone():
                self._move(fact, fact.read_back)
            case Ended():
                self._move(fact, fact.setpoints)
            case SignedOff():
                self.tell(fact.at, fact.recorded_at, PutRight(day_of(fact.at)))

    def _move(self, fact: Fact, setpoints: Setpoints | None) -> None:
        """The height follows the counts by the response that is specified; the next round tells how far it did."""
        if setpoints is None:
            return
        if self.stored is not None and _changed(self.stored, setpoints):
            prior = prior_from_specification(self.specification)
            counts = counts_changed(as_counts(self.stored), as_counts(setpoints))
            moves = prior.mean * counts
            variances = prior.covariance.diagonal() * [count**2 for count in counts] + move_variance(moves).diagonal()
            change = _four(float(move) if count else math.nan for move, count in zip(moves, counts, strict=True))
            self.tell(fact.at, fact.recorded_at, Moved(day_of(fact.at), change, _four(map(float, variances))))
        self.stored = setpoints

    def _tell_pool(self) -> None:
        if not self.pool:
            return
        last = self.pool[-1]
        if self.elsewhere:
            change = _four(0.0 if corner in self.elsewhere else math.nan for corner in CORNERS)
            self.tell(last.at, last.recorded_at, Moved(day_of(last.at), change, (UNKNOWN_HEIGHT_VARIANCE_MM2,) * 4))
            self.elsewhere.clear()
        rounds = [measurement_of(each) for each in self.pool]
        observation = measured_at(last.at, rounds, self.basis, self.specification.settling_mm)
        self.tell(last.at, last.recorded_at, observation)
        self.pool = []


def _changed(before: Setpoints | None, after: Setpoints) -> set[Corner]:
    if before is None:
        return set()
    return {corner for corner in CORNERS if before.get(corner) != after.get(corner)}


def _four(values: Iterable[float]) -> FourCorners:
    a, b, c, d = values
    return a, b, c, d
