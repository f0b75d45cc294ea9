"""The state of a corner's drift filter: what one stored row a corner holds, as arrays over any number of corners.

A measurement's variance is the full one of section 2 (see `drift_filter`). Where one tape measures every time its
error does not average out; `judged_variance` puts that back where a level is compared with its tolerance. In the
difference of two sides it cancels, since both are measured at one visit (`side_variance`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from .errors import MetrologyError
from .uncertainty import coverage_factor

Vector = NDArray[np.float64]
Flags = NDArray[np.bool_]

DAYS_PER_YEAR = 365.25
NORMAL_COVERAGE = coverage_factor(math.inf)
"""Expanded over standard uncertainty where nothing is estimated from few readings."""
LEVEL_WANDER_VARIANCE = 0.1
"""mm² a year: what a healthy corner's level does by itself. No published source."""
RATE_WANDER_VARIANCE = 0.5
"""(mm a year)² a year: how fast a steady corner may begin to drift. No published source."""
DEFAULT_RATE_VARIANCE = 4.5**2
"""(mm a year)², of a model of which nothing is known. No published source; chosen by simulation with the alerts."""
INNOVATION_LIMIT = 2.5
"""In standard deviations. One odd height must not carry level and rate away; two of them show as a step."""


@dataclass(frozen=True, slots=True)
class Wander:
    """Variances of the random walks: level in mm² a year, rate in (mm a year)² a year; and how far the filter trusts.

    An innovation moves a state by at most `innovation_limit` of its standard deviations.
    """

    level: float = LEVEL_WANDER_VARIANCE
    rate: float = RATE_WANDER_VARIANCE
    innovation_limit: float = INNOVATION_LIMIT

    def __post_init__(self) -> None:
        for name, value in (("level", self.level), ("rate", self.rate)):
            if not (np.isfinite(value) and value >= 0):
                raise MetrologyError(name, value, "a finite number from 0")
        if not self.innovation_limit > 0:
            raise MetrologyError("innovation_limit", self.innovation_limit, "a number above 0")


WANDER = Wander()


@dataclass(frozen=True, slots=True, eq=False)
class DriftStates:
    """Filter states of n corners; every field an array of shape (n,), one column of the corner's stored row.

    Deviations from target in mm, rates in mm a year, variances in their squares, times in days (any epoch). `visits`
    counts the measurements since the series began; while it is 0 nothing but the prior of the rate is known.
    `step_mm` and `step_day` tell of the last step found that no job has put right since, nan without one. The
    last measurement is kept for the verdict of section 3: deviation (nan once a write has moved the corner), expanded
    uncertainty, variance, and the instrument's part in it.
    """

    level: Vector
    rate: Vector
    level_variance: Vector
    covariance: Vector
    rate_variance: Vector
    day: Vector
    visits: Vector
    cusum_high: Vector
    cusum_low: Vector
    scatter: Vector
    step_mm: Vector
    step_day: Vector
    last_mm: Vector
    last_expanded: Vector
    last_variance: Vector
    last_instrument_variance: Vector
    prior_rate: Vector
    prior_rate_variance: Vector

    def table(self) -> Vector:
        """All fields as columns, shape (n, 18), in the order of `COLUMNS`."""
        return np.column_stack([getattr(self, name) for name in COLUMNS])

    def take(self, chosen: Flags | slice | NDArray[np.intp]) -> DriftStates:
        """The states of some of the corners."""
        return DriftStates(*(getattr(self, name)[chosen] for name in COLUMNS))

    @property
    def instrument_share(self) -> Vector:
        """The instrument's part of the last measurement's variance."""
        return np.divide(
            self.last_instrument_variance,
            self.last_variance,
            out=np.zeros_like(self.last_variance),
            where=self.last_variance > 0,
        )


COLUMNS: tuple[str, ...] = tuple(field.name for field in fields(DriftStates))


def states_from_table(table: Vector) -> DriftStates:
    """States from their stored rows, shape (n, 18), columns in the order of `COLUMNS`.

    Raises
    ------
    MetrologyError
        If the table has another number of columns.

    >>> states_from_table(fresh_states(2).table()).visits.tolist()
    [0.0, 0.0]
    """
    if table.ndim != 2 or table.shape[1] != len(COLUMNS):
        raise MetrologyError("table", table.shape, f"a shape of (n, {len(COLUMNS)})")
    return DriftStates(*table.T)


def fresh_states(
    count: int,
    prior_rate: float = 0.0,
    prior_rate_variance: float = DEFAULT_RATE_VARIANCE,
    prior_level_variance: float = math.inf,
) -> DriftStates:
    """States of corners about which only their model's rate of drift is known (see `rate_prior`).

    Parameters
    ----------
    count : int
        Number of corners.
    prior_rate, prior_rate_variance : float
        Prior of the rate: mm a year, (mm a year)².
    prior_level_variance : float
        Of the deviation about 0, mm²: infinite where nothing is known, finite where a job has just set the height.

    Raises
    ------
    MetrologyError
        If a variance is negative or not a number.

    Source: definition.

    >>> fresh_states(1, 0.5).rate.tolist()
    [0.5]
    """
    if not (np.isfinite(prior_rate_variance) and prior_rate_variance >= 0):
        raise MetrologyError("prior_rate_variance", prior_rate_variance, "a finite number from 0")
    columns = {name: np.zeros(count) for name in COLUMNS}
    columns["rate"] = columns["prior_rate"] = np.full(count, float(prior_rate))
    columns["rate_variance"] = columns["prior_rate_variance"] = np.full(count, float(prior_rate_variance))
    if not prior_level_variance > 0:
        raise MetrologyError("prior_level_variance", prior_level_variance, "a number above 0")
    columns["level_variance"] = np.full(count, float(prior_level_variance))
    columns["step_mm"] = columns["step_day"] = np.full(count, np.nan)
    return DriftStates(**columns)


def chosen_states(where: Flags, first: DriftStates, second: DriftStates) -> DriftStates:
    """One or the other state of each corner; `where` of shape (n,).

    >>> chosen_states(np.array([True, False]), fresh_states(2, 1.0), fresh_states(2, 2.0)).rate.tolist()
    [1.0, 2.0]
    """
    return DriftStates(*(np.where(where, getattr(first, name), getattr(second, name)) for name in COLUMNS))


def judged_variance(level_variance: Vector, instrument_share: Vector, last_variance: Vector) -> Vector:
    """Variance of a level as it is judged against its tolerance, mm²: the instrument's part does not average out.

    `P·(1 - ρ) + ρ·u²` with ρ the instrument's share of a measurement's variance u²: exact where one instrument measured
    every time, on the safe side where several did.

    Source: GUM 5.2.2 with correlation 1 for the instrument's part.

    >>> judged_variance(np.array([1.0, 0.0]), np.array([0.1, 0.1]), np.array([1.0, 1.0])).tolist()
    [1.0, 0.1]
    """
    return level_variance * (1.0 - instrument_share) + instrument_share * last_variance


def side_variance(left: DriftStates, right: DriftStates) -> Vector:
    """Variance of the left level minus the right one, mm²: the instrument's part of both cancels.

    Source: GUM 5.2.2 with correlation 1 for the instrument's part.

    >>> from .drift_filter import measured
    >>> states = measured(fresh_states(1), 0.0, np.array([1.0]), 1.0, 0.1)
    >>> side_variance(states, states).tolist()
    [1.8]
    """
    return left.level_variance * (1.0 - left.instrument_share) + right.level_variance * (1.0 - right.instrument_share)
