"""The series of one vehicle: what is observed of it from visit to visit, and where its drift filter stands after it.

The four corners are always in the order of `CORNERS`. Observations come in the order in which they happened; what was
recorded late is put in its place, and the series followed anew.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import singledispatch

import numpy as np
from numpy.typing import NDArray

from .corners import CORNERS
from .drift_filter import after_event, after_write, measured, put_right, retargeted
from .drift_state import DriftStates, fresh_states
from .rate_prior import DEFAULT_RATE_PRIOR, RatePrior

Vector = NDArray[np.float64]
FourCorners = tuple[float, float, float, float]

SET_SHARE = 1.0 / 3.0
"""Standard deviation of a corner that somebody has set, in tolerances: nearly all of them lie within."""


@dataclass(frozen=True, slots=True)
class Basis:
    """What heights are judged by: targets and tolerances in mm, the largest side difference in mm, and check intervals.

    `interval_days` and `interval_km` are inf where none is specified.
    """

    target_mm: FourCorners
    tolerance_mm: FourCorners
    side_limit_mm: float
    interval_days: float = math.inf
    interval_km: float = math.inf


@dataclass(frozen=True, slots=True)
class Observation:
    """Something that the filter is told; `day` is when it happened, in days of any one epoch."""

    day: float


@dataclass(frozen=True, slots=True)
class Measured(Observation):
    """Mean settled heights, mm; nan where a corner was not measured. Variances in mm², as `drift_filter.measured`."""

    basis: Basis
    height_mm: FourCorners
    variance_mm2: FourCorners
    instrument_variance_mm2: FourCorners
    expanded_uncertainty_mm: FourCorners


@dataclass(frozen=True, slots=True)
class Judged(Observation):
    """What heights are judged by from now on, as when a job opens."""

    basis: Basis


@dataclass(frozen=True, slots=True)
class Respecified(Judged):
    """The same without a job: another revision took effect, or the vehicle turned out to be of another model."""


@dataclass(frozen=True, slots=True)
class Moved(Observation):
    """Set-points that changed, with the expected change of height and its variance; nan where a corner's did not."""

    change_mm: FourCorners
    variance_mm2: FourCorners


@dataclass(frozen=True, slots=True)
class Worked(Observation):
    """Something was replaced or repaired: these corners start afresh, with what is known of their model by then."""

    corners: tuple[bool, bool, bool, bool]
    prior: RatePrior


@dataclass(frozen=True, slots=True)
class PutRight(Observation):
    """A job was signed off."""


@dataclass(frozen=True, slots=True, eq=False)
class SeriesState:
    """Where a vehicle's series stands: four filter states, and what they are judged by (None before anything is)."""

    states: DriftStates
    basis: Basis | None = None


def beginning(prior: RatePrior = DEFAULT_RATE_PRIOR) -> SeriesState:
    """A vehicle of which nothing is known but how fast its model's corners drift.

    >>> beginning().states.visits.tolist()
    [0.0, 0.0, 0.0, 0.0]
    """
    return SeriesState(fresh_states(len(CORNERS), prior.mean, prior.variance))


def follow_series(state: SeriesState, observations: Iterable[Observation]) -> SeriesState:
    """Where a series stands after further observations, given in the order in which they happened.

    Raises
    ------
    MetrologyError
        If a measurement lies before an earlier one, or one of its figures is none.

    Source: `drift_filter`, step by step.

    >>> basis = Basis((486.0, 486.0, 504.0, 504.0), (6.0,) * 4, 8.0)
    >>> seen = Measured(0.0, basis, (488.0, 486.0, 504.0, math.nan), (1.0,) * 4, (0.1,) * 4, (2.0,) * 4)
    >>> follow_series(beginning(), [seen]).states.level.tolist()
    [1.6, 0.0, 0.0, 0.0]
    """
    for observation in observations:
        state = _after(observation, state)
    return state


def marks(observations: Iterable[Observation]) -> list[str]:
    """A short hash of each observation, by which a stored state knows what it has taken in already.

    >>> marks([PutRight(1.0)]) == marks([PutRight(1.0)]), marks([PutRight(1.0)]) == marks([PutRight(2.0)])
    (True, False)
    """
    return [hashlib.sha256(repr(each).encode()).hexdigest()[:16] for each in observations]


@singledispatch
def _after(observation: Observation, state: SeriesState) -> SeriesState:
    raise TypeError(type(observation).__name__)


@_after.register
def _after_measured(observation: Measured, state: SeriesState) -> SeriesState:
    state = _judged_by(observation.basis, state)
    height = np.array(observation.height_mm)
    seen = ~np.isnan(height)
    deviation = height - np.array(observation.basis.target_mm)
    states = measured(
        _expected(state.states, deviation, np.array(observation.basis.tolerance_mm)),
        observation.day,
        deviation,
        np.where(seen, observation.variance_mm2, 1.0),
        np.where(seen, observation.instrument_variance_mm2, 0.0),
        expanded_uncertainty_mm=np.array(observation.expanded_uncertainty_mm),
    )
    return replace(state, states=states)


def _expected(states: DriftStates, deviation: Vector, tolerance: Vector) -> DriftStates:
    """What is known before a series' first height: one within its tolerance was set there, of another nothing is.

    Without it a corner's first height would count for more than it is worth, and its rate be learned later.
    """
    with np.errstate(invalid="ignore"):
        was_set = (states.visits == 0) & (np.abs(deviation) <= tolerance)
    return replace(states, level_variance=np.where(was_set, (SET_SHARE * tolerance) ** 2, states.level_variance))


@_after.register
def _after_judged(observation: Judged, state: SeriesState) -> SeriesState:
    return _judged_by(observation.basis, state)


@_after.register
def _after_moved(observation: Moved, state: SeriesState) -> SeriesState:
    change = np.array(observation.change_mm)
    variance = np.where(np.isnan(change), 0.0, observation.variance_mm2)
    return replace(state, states=after_write(state.states, change, variance))


@_after.register
def _after_worked(observation: Worked, state: SeriesState) -> SeriesState:
    corners, prior = np.array(observation.corners), observation.prior
    return replace(state, states=after_event(state.states, corners, prior.mean, prior.variance))


@_after.register
def _after_put_right(observation: PutRight, state: SeriesState) -> SeriesState:
    return replace(state, states=put_right(state.states, np.full(len(CORNERS), True)))


def _judged_by(basis: Basis, state: SeriesState) -> SeriesState:
    if state.basis is None or state.basis.target_mm == basis.target_mm:
        return replace(state, basis=basis)
    change = np.array(basis.target_mm) - np.array(state.basis.target_mm)
    return SeriesState(retargeted(state.states, change), basis)
