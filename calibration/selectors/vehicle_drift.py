"""How one vehicle drifts, in figures for people: each corner's level, rate, and when it is expected outside."""

from __future__ import annotations

import math
import uuid
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import numpy as np

from fleet.days import local_day, workshop_zone
from fleet.models import Vehicle

from ..metrology.conformity import Verdict, joint_verdict, verdict
from ..metrology.corners import AXLES, CORNERS, Axle, Corner
from ..metrology.drift_alerts import DistanceDue, Finding, Fleet, find_alerts, side_differences
from ..metrology.drift_forecast import forecast, leaving_dates, probability_of_leaving
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


@dataclass(frozen=True, slots=True)
class SideDrift:
    axle: Axle
    difference_mm: float
    expanded_uncertainty_mm: float
    limit_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class VehicleDrift:
    """`state` is what the figures come from; none of them where nothing was ever judged."""

    state: SeriesState
    corners: tuple[CornerDrift, ...] = ()
    sides: tuple[SideDrift, ...] = ()
    due: Due = NOTHING_DUE

    @property
    def due_at(self) -> datetime | None:
        return time_of_day(self.due.first_day) if math.isfinite(self.due.first_day) else None

    @property
    def measured_at(self) -> datetime | None:
        """When it was last measured at any corner, and judged."""
        return max((each.measured_at for each in self.corners if each.measured_at is not None), default=None)

    @property
    def last(self) -> list[tuple[CornerDrift, float, float]]:
        """Each corner with deviation and U of its last measurement in mm; none of those worked on since."""
        states = self.state.states
        values = zip(self.corners, states.last_mm.tolist(), states.last_expanded.tolist(), strict=True)
        return [(corner, off, expanded) for corner, off, expanded in values if math.isfinite(off)]

    @property
    def last_verdict(self) -> Verdict | None:
        """On the last measurement of all corners and sides; None where work was done at one since."""
        if not self.corners or len(self.last) < len(CORNERS):
            return None
        corners = [verdict(off, expanded, corner.tolerance_mm) for corner, off, expanded in self.last]
        sides = [verdict(each.difference_mm, each.expanded_uncertainty_mm, each.limit_mm) for each in self.sides]
        return joint_verdict([*corners, *sides])

    def findings(self, now: datetime) -> list[Finding]:
        """What is the matter, as alerts would find it."""
        fleet = _fleet(self.state, self.due)
        return find_alerts(self.state.states, fleet, day_of(now)) if fleet else []


def drift_of(vehicle: Vehicle) -> VehicleDrift:
    """As it is kept."""
    return _described(stored_state(vehicle), stored_due(vehicle))


def drifts_of(vehicles: Collection[uuid.UUID]) -> dict[uuid.UUID, VehicleDrift]:
    """As it is kept, of those vehicles of which something is kept."""
    return {vehicle: _described(state, due) for vehicle, (state, due) in stored_of(vehicles).items()}


def drift_as_of(vehicle: Vehicle, as_of: datetime) -> VehicleDrift:
    """As it was known then: followed anew from what had been received."""
    series = series_of(vehicle, as_of)
    state = series.followed()
    return _described(state, due_after(state, series.readings, workshop_zone()))


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


def _described(state: SeriesState, due: Due) -> VehicleDrift:
    if state.basis is None:
        return VehicleDrift(state)
    figures = _figures(state, due.first_day)
    corners = tuple(_corner(state, place, figures) for place in range(len(CORNERS)))
    return VehicleDrift(state, corners, _sides(state), due)


def _figures(state: SeriesState, due: float) -> Mapping[str, np.ndarray]:
    states, tolerance = state.states, np.array(state.basis.tolerance_mm if state.basis else ())
    level, sd = forecast(states, states.day)
    dates = leaving_dates(states, tolerance)
    by_due = np.full(len(CORNERS), math.nan)
    if math.isfinite(due):
        by_due = probability_of_leaving(states, np.maximum(states.day, due), tolerance)
    return {
        "level_mm": level,
        "expanded_uncertainty_mm": NORMAL_COVERAGE * sd,
        "rate_mm_per_year": states.rate,
        "rate_expanded_uncertainty_mm_per_year": NORMAL_COVERAGE * np.sqrt(states.rate_variance),
        "probability_outside_by_due": by_due,
        "expected": dates.expected,
        "earliest": dates.earliest,
        "latest": dates.latest,
    }


def _corner(state: SeriesState, place: int, figures: Mapping[str, np.ndarray]) -> CornerDrift:
    assert state.basis is not None  # the caller has looked
    states, basis = state.states, state.basis
    known = (CORNERS[place], basis.target_mm[place], basis.tolerance_mm[place], int(states.visits[place]))
    if not states.visits[place]:
        return CornerDrift(*known)
    figure: dict[str, Any] = {name: _number(column[place]) for name, column in figures.items()}
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


def _number(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _date(day: float | None) -> date | None:
    return None if day is None else local_day(time_of_day(day))
