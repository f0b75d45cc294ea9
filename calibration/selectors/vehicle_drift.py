"""How one vehicle drifts, in figures for people: each corner's level, rate, and when it is expected outside."""

from __future__ import annotations

import math
import uuid
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from functools import cached_property
from statistics import NormalDist
from typing import Any

import numpy as np

from fleet.days import local_day, workshop_zone
from fleet.models import Vehicle

from ..metrology.conformity import Verdict, joint_verdict, verdict
from ..metrology.corners import AXLES, CORNERS, Axle, Corner
from ..metrology.drift_alerts import (
    TREND_DIRECTION,
    DistanceDue,
    Finding,
    Fleet,
    find_alerts,
    out_of_tolerance,
    side_differences,
)
from ..metrology.drift_forecast import MEDIAN, forecast, leaving_dates, probability_of_leaving
from ..metrology.drift_series import SeriesState
from ..metrology.drift_state import NORMAL_COVERAGE
from ..rules.drift_course import NOTHING_DUE, Due, day_of, due_after, time_of_day
from .drift import stored_due, stored_of, stored_state
from .drift_series import series_of


@dataclass(frozen=True, slots=True)
class CornerDrift:
    """One corner as it stood when it was last measured. Of one never measured only target and tolerance are known."""

    corner: Corner
    target_mm: float
    tolerance_mm: float
    measurements: int
    measured_at: datetime | None = None
    level_mm: float | None = None
    expanded_uncertainty_mm: float | None = None
    rate_mm_per_year: float | None = None
    rate_expanded_uncertainty_mm_per_year: float | None = None
    probability_outside_by_due: float | None = None
    is_outside: bool = False
    """Its tolerance, as alerts judge it: nothing is forecast of it then."""
    is_likely_outside: bool = False
    """More likely than not when it was measured, though that does not tell for sure."""
    expected_outside_on: date | None = None
    earliest_outside_on: date | None = None
    latest_outside_on: date | None = None
    step_mm: float | None = None
    step_at: datetime | None = None

    @property
    def is_known_to_move(self) -> bool:
        """Its rate is more than its uncertainty."""
        rate, uncertainty = self.rate_mm_per_year, self.rate_expanded_uncertainty_mm_per_year
        return rate is not None and uncertainty is not None and abs(rate) > uncertainty

    @property
    def probably_moves(self) -> bool:
        """Not known to move, but as likely in one direction as a trend has to be."""
        rate, uncertainty = self.rate_mm_per_year, self.rate_expanded_uncertainty_mm_per_year
        if rate is None or uncertainty is None or self.is_known_to_move:
            return False
        return abs(rate) * NORMAL_COVERAGE >= uncertainty * NormalDist().inv_cdf(TREND_DIRECTION)


@dataclass(frozen=True, slots=True)
class SideDrift:
    axle: Axle
    difference_mm: float
    expanded_uncertainty_mm: float
    limit_mm: float


@dataclass(frozen=True, slots=True)
class LastMeasured:
    """A corner's last measurement, where no work was done since."""

    corner: Corner
    deviation_mm: float
    expanded_uncertainty_mm: float
    tolerance_mm: float


@dataclass(frozen=True, eq=False)
class VehicleDrift:
    """`state` is what the figures come from; none of them where nothing was ever judged.

    Dates take long to work out, so that corners are described only where somebody asks for them.
    """

    state: SeriesState
    due: Due = NOTHING_DUE

    @cached_property
    def corners(self) -> tuple[CornerDrift, ...]:
        if self.state.basis is None:
            return ()
        figures = _figures(self.state, self.due.first_day)
        return tuple(_corner(self.state, place, figures) for place in range(len(CORNERS)))

    @cached_property
    def sides(self) -> tuple[SideDrift, ...]:
        return () if self.state.basis is None else _sides(self.state)

    @property
    def is_judged(self) -> bool:
        """Whether anything ever was."""
        return self.state.basis is not None

    @property
    def due_at(self) -> datetime | None:
        return time_of_day(self.due.first_day) if math.isfinite(self.due.first_day) else None

    @property
    def measured_at(self) -> datetime | None:
        """When it was last measured at any corner, and judged."""
        if not self.is_judged or not np.any(known := self.state.states.visits > 0):
            return None
        return time_of_day(float(np.max(self.state.states.day[known])))

    @property
    def last(self) -> list[LastMeasured]:
        """Of each corner its last measurement; of none that was worked on since: it began afresh, or was moved."""
        states, basis = self.state.states, self.state.basis
        if basis is None:
            return []
        known = (states.visits > 0) & np.isfinite(states.last_mm)
        return [
            LastMeasured(corner, float(states.last_mm[i]), float(states.last_expanded[i]), basis.tolerance_mm[i])
            for i, corner in enumerate(CORNERS)
            if known[i]
        ]

    @property
    def last_verdict(self) -> Verdict | None:
        """On the last measurement of all corners and sides; None where work was done at one since."""
        if len(self.last) < len(CORNERS):
            return None
        corners = [verdict(each.deviation_mm, each.expanded_uncertainty_mm, each.tolerance_mm) for each in self.last]
        sides = [verdict(each.difference_mm, each.expanded_uncertainty_mm, each.limit_mm) for each in self.sides]
        return joint_verdict([*corners, *sides])

    def findings(self, now: datetime) -> list[Finding]:
        """What is the matter, as alerts would find it."""
        fleet = _fleet(self.state, self.due)
        return find_alerts(self.state.states, fleet, day_of(now)) if fleet else []


def drift_of(vehicle: Vehicle) -> VehicleDrift:
    """As it is kept."""
    return VehicleDrift(stored_state(vehicle), stored_due(vehicle))


def drifts_of(vehicles: Collection[uuid.UUID]) -> dict[uuid.UUID, VehicleDrift]:
    """As it is kept, of those vehicles of which something is kept."""
    return {vehicle: VehicleDrift(state, due) for vehicle, (state, due) in stored_of(vehicles).items()}


def drift_as_of(vehicle: Vehicle, as_of: datetime) -> VehicleDrift:
    """As it was known then: followed anew from what had been received."""
    series = series_of(vehicle, as_of)
    state = series.followed()
    return VehicleDrift(state, due_after(state, series.readings, workshop_zone()))


def _fleet(state: SeriesState, due: Due) -> Fleet | None:
    basis, distance = state.basis, due.by_distance
    if basis is None:
        return None
    return Fleet(
        np.array(basis.tolerance_mm),
        np.full((1, 2), basis.side_limit_mm),
        np.array([basis.interval_days]),
        np.array([due.day]),
        DistanceDue(np.array([distance.at_km]), np.array([distance.day]), np.array([distance.interval_days])),
    )


def _figures(state: SeriesState, due: float) -> Mapping[str, np.ndarray]:
    states, tolerance = state.states, np.array(state.basis.tolerance_mm if state.basis else ())
    level, sd = forecast(states, states.day)
    dates, outside = leaving_dates(states, tolerance), out_of_tolerance(states, tolerance)
    by_due = np.full(len(CORNERS), math.nan)
    if math.isfinite(due):
        by_due = probability_of_leaving(states, np.maximum(states.day, due), tolerance)
    return {
        "level_mm": level,
        "expanded_uncertainty_mm": NORMAL_COVERAGE * sd,
        "rate_mm_per_year": states.rate,
        "rate_expanded_uncertainty_mm_per_year": NORMAL_COVERAGE * np.sqrt(states.rate_variance),
        "probability_outside_by_due": by_due,
        "is_outside": outside,
        "is_likely_outside": ~outside & (probability_of_leaving(states, states.day, tolerance) >= MEDIAN),
        "expected": np.where(outside, np.nan, dates.expected),
        "earliest": np.where(outside, np.nan, dates.earliest),
        "latest": np.where(outside, np.nan, dates.latest),
    }


def _corner(state: SeriesState, place: int, figures: Mapping[str, np.ndarray]) -> CornerDrift:
    assert state.basis is not None  # the caller has looked
    states, basis = state.states, state.basis
    known = (CORNERS[place], basis.target_mm[place], basis.tolerance_mm[place], int(states.visits[place]))
    if not states.visits[place]:
        return CornerDrift(*known)
    figure: dict[str, Any] = {name: _figure(column[place]) for name, column in figures.items()}
    expected, earliest, latest = (_date(figure.pop(name)) for name in ("expected", "earliest", "latest"))
    step_day = _number(states.step_day[place])
    return CornerDrift(
        *known,
        measured_at=time_of_day(float(states.day[place])),
        **figure,
        expected_outside_on=expected,
        earliest_outside_on=earliest,
        latest_outside_on=latest,
        step_mm=_number(states.step_mm[place]),
        step_at=None if step_day is None else time_of_day(step_day),
    )


def _sides(state: SeriesState) -> tuple[SideDrift, ...]:
    assert state.basis is not None  # the caller has looked
    difference, expanded = side_differences(state.states)
    return tuple(
        SideDrift(axle, float(difference[0, place]), float(expanded[0, place]), state.basis.side_limit_mm)
        for place, axle in enumerate(AXLES)
        if math.isfinite(difference[0, place])
    )


def _figure(value: np.generic) -> float | bool | None:
    return bool(value) if isinstance(value, np.bool_) else _number(float(value))


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _date(day: float | None) -> date | None:
    return None if day is None else local_day(time_of_day(day))
