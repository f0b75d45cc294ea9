"""Drift of corners between services: level and rate of each by a Kalman filter, kept as one small row a corner.

The model of a corner is a local linear trend in continuous time: the deviation of its mean settled height from
target is a level that moves at a rate, and both wander a little. A state is all that is remembered of a corner's
history; a fleet is an array of states, and every function here works on all of them at once (arrays of shape (n,),
corners in any order).

A measurement's variance is the full one of section 2: marks are new at each visit and instruments change from visit
to visit, so that neither is taken as common to two measurements of a corner. Where one tape measures every time its
error does not average out; see `drift_state` for what is done about it where a level is judged.

Sources: Harvey, Forecasting, Structural Time Series Models and the Kalman Filter, 1989 (local linear trend, irregular
intervals; from memory); ISO 7870-4 (cumulative sums). Checked against statsmodels and batch least squares.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from .drift_charts import ChartRules, chart_rules, next_scatter, next_sums
from .drift_state import (
    DAYS_PER_YEAR,
    DEFAULT_RATE_VARIANCE,
    NORMAL_COVERAGE,
    WANDER,
    DriftStates,
    Wander,
    chosen_states,
    fresh_states,
)
from .errors import MetrologyError

Vector = NDArray[np.float64]
Flags = NDArray[np.bool_]

STEP_VARIANCE_MM2 = 64.0
"""What the level's variance grows by at a step that the chart has found, so that the level follows at once."""
SCATTER_CAP = 2.0
"""In decision intervals: a longer memory of bad scatter would outlast its cause."""


def predicted(states: DriftStates, day: Vector | float, wander: Wander = WANDER) -> DriftStates:
    """The states as they are expected to be on a later day (scalar or shape (n,)), nothing new being measured.

    With t in years `level += rate·t`, and the variances grow by `level·t + rate·t³/3`, `rate·t²/2` and `rate·t` of the
    wander's two. A corner without a measurement stays as it is.

    Raises
    ------
    MetrologyError
        If a day lies before the state's: late records replay from an earlier state.

    Source: Harvey 1989, section 9.2 (continuous time; from memory).

    >>> states = measured(fresh_states(1, 2.0, 4.0), 0.0, np.array([1.0]), 1.0)
    >>> later = predicted(states, 365.25, Wander(0.0, 0.0))
    >>> later.level.tolist(), later.level_variance.tolist()
    ([3.0], [5.0])
    """
    begun = states.visits > 0
    to = np.where(begun, day, states.day)
    years = (to - states.day) / DAYS_PER_YEAR
    if np.any(~(years >= 0)):
        raise MetrologyError("day", float(np.min(to[~(years >= 0)])), "a day not before the state's own")
    return replace(
        states,
        level=states.level + states.rate * years,
        level_variance=states.level_variance
        + 2.0 * years * states.covariance
        + years**2 * states.rate_variance
        + wander.level * years
        + wander.rate * years**3 / 3.0,
        covariance=states.covariance + years * states.rate_variance + wander.rate * years**2 / 2.0,
        rate_variance=states.rate_variance + wander.rate * years,
        day=to,
    )


def measured(
    states: DriftStates,
    day: Vector | float,
    deviation_mm: Vector,
    variance_mm2: Vector | float,
    instrument_variance_mm2: Vector | float = 0.0,
    *,
    expanded_uncertainty_mm: Vector | float | None = None,
    wander: Wander = WANDER,
    rules: ChartRules | None = None,
) -> DriftStates:
    """The states after a visit at which these corners were measured; nan where a corner was not.

    Parameters
    ----------
    day : float or array of shape (n,)
        Day of the visit.
    deviation_mm : array of shape (n,)
        Mean settled height minus target; nan: not measured, the state stays.
    variance_mm2, instrument_variance_mm2 : float or array of shape (n,)
        Combined standard uncertainty of section 2, squared, and the instrument's part in it.
    expanded_uncertainty_mm : float or array of shape (n,), optional
        U of section 2; 1.96 standard uncertainties unless given.
    wander, rules
        Random walks of the model, and constants of the charts.

    Raises
    ------
    MetrologyError
        If a deviation is infinite, a variance not a finite number above 0, the instrument's part above it, or the day
        too early.

    The first measurement of a series sets the level (exactly, unless a prior is finite). Each further one moves it by
    the gain, and its standardised innovation enters the charts. Where a sum passes its decision interval, a step is
    noted, both sums restart, and the level follows the measurement.

    Source: Kalman filter (Harvey 1989, section 3.2; from memory), against statsmodels; ISO 7870-4.

    >>> states = measured(fresh_states(1), 0.0, np.array([2.0]), 1.69)
    >>> states = measured(states, 60.0, np.array([3.0]), 1.69)
    >>> states.level.round(2).tolist(), states.rate.round(2).tolist(), states.visits.tolist()
    ([2.57], [0.85], [2.0])
    """
    seen = ~np.isnan(deviation_mm)
    variance = np.broadcast_to(np.asarray(variance_mm2, dtype=np.float64), seen.shape)
    instrument = np.broadcast_to(np.asarray(instrument_variance_mm2, dtype=np.float64), seen.shape)
    _check_variances(variance[seen], instrument[seen])
    if np.any(np.isinf(deviation_mm)):
        raise MetrologyError("deviation_mm", math.inf, "finite numbers, or nan where nothing was measured")
    expanded = NORMAL_COVERAGE * np.sqrt(variance) if expanded_uncertainty_mm is None else expanded_uncertainty_mm
    there = predicted(states, np.where(seen, day, states.day), wander)
    innovation = np.where(seen, deviation_mm - there.level, 0.0)
    watched = seen & (states.visits > 0)
    charted, step = _charted(there, innovation, variance, watched, rules or chart_rules())
    trusted = np.where(step | ~watched, np.inf, wander.innovation_limit)
    updated = _updated(charted, innovation, variance, step, trusted)
    noted = replace(
        updated,
        day=np.broadcast_to(np.asarray(day, dtype=np.float64), seen.shape),
        visits=states.visits + 1.0,
        last_mm=deviation_mm,
        last_expanded=np.broadcast_to(np.asarray(expanded, dtype=np.float64), seen.shape),
        last_variance=variance,
        last_instrument_variance=instrument,
    )
    return chosen_states(seen, noted, states)


def _check_variances(variance: Vector, instrument: Vector) -> None:
    if not np.all(np.isfinite(variance) & (variance > 0)):
        raise MetrologyError("variance_mm2", variance.tolist()[:4], "finite numbers above 0")
    if not np.all((instrument >= 0) & (instrument <= variance)):
        raise MetrologyError("instrument_variance_mm2", instrument.tolist()[:4], "numbers from 0 up to the variance")


def _charted(
    there: DriftStates, innovation: Vector, variance: Vector, watched: Flags, rules: ChartRules
) -> tuple[DriftStates, Flags]:
    """The predicted states with their charts brought up to date, and where a step has shown."""
    standardised = np.where(watched, innovation / np.sqrt(there.level_variance + variance), 0.0)
    high, low = next_sums(there.cusum_high, there.cusum_low, standardised, rules.step_reference)
    step = watched & (np.maximum(high, low) > rules.step_interval)
    scatter = next_scatter(there.scatter, standardised, rules.scatter_reference)
    charted = replace(
        there,
        cusum_high=np.where(step, 0.0, high),
        cusum_low=np.where(step, 0.0, low),
        scatter=np.minimum(scatter, SCATTER_CAP * rules.scatter_interval),
    )
    return charted, step


def _updated(there: DriftStates, innovation: Vector, variance: Vector, step: Flags, limit: Vector) -> DriftStates:
    """Kalman's update. After a step the level is free to follow, and what it shows says little of the rate."""
    before = there.level_variance + np.where(step, STEP_VARIANCE_MM2, 0.0)
    with np.errstate(divide="ignore"):
        gain = 1.0 / (1.0 + variance / before)  # 1 for a level of which nothing was known
    rate_gain = there.covariance / (before + variance)
    farthest = limit * np.sqrt(before + variance)
    innovation = np.clip(innovation, -farthest, farthest)
    level = there.level + gain * innovation
    return replace(
        there,
        level=level,
        rate=there.rate + rate_gain * innovation,
        level_variance=gain * variance,
        covariance=there.covariance * (1.0 - gain),
        rate_variance=there.rate_variance - rate_gain * there.covariance,
        step_mm=np.where(step, level - there.level, there.step_mm),
        step_day=np.where(step, there.day, there.step_day),
    )


def after_write(states: DriftStates, change_mm: Vector, change_variance_mm2: Vector | float) -> DriftStates:
    """The states after a write: the level shifts, the rate stays, the charts begin anew.

    Parameters
    ----------
    change_mm : array of shape (n,)
        Expected change of height (response times counts); nan where nothing was written.
    change_variance_mm2 : float or array of shape (n,)
        Its variance, from the response's. The round as left then enters as a measurement of its own. Its marks are
        those of the round as found, which the filter does not know: at worst half the marks' variance is missed.

    Raises
    ------
    MetrologyError
        If a variance is negative or not a number.

    Source: definition; against batch least squares.

    >>> states = after_write(measured(fresh_states(1), 0.0, np.array([8.0]), 1.0), np.array([-8.0]), 2.0)
    >>> states.level.tolist(), states.level_variance.tolist(), states.rate_variance.tolist()
    ([0.0], [3.0], [20.25])
    """
    written = ~np.isnan(change_mm)
    variance = np.broadcast_to(np.asarray(change_variance_mm2, dtype=np.float64), written.shape)
    if not np.all(variance[written] >= 0):
        raise MetrologyError("change_variance_mm2", variance.tolist()[:4], "numbers from 0")
    shifted = replace(
        states,
        level=states.level + change_mm,
        level_variance=states.level_variance + variance,
        last_mm=np.full(written.shape, np.nan),
        cusum_high=np.zeros(written.shape),
        cusum_low=np.zeros(written.shape),
    )
    return put_right(chosen_states(written & (states.visits > 0), shifted, states), written)


def retargeted(states: DriftStates, change_mm: Vector) -> DriftStates:
    """The states after their targets changed: what is known of the heights stays, deviations shift the other way.

    Parameters
    ----------
    change_mm : array of shape (n,)
        New target minus old one.

    Raises
    ------
    MetrologyError
        If a change is not a finite number.

    Source: definition.

    >>> states = measured(fresh_states(1), 0.0, np.array([8.0]), 1.0)
    >>> retargeted(states, np.array([5.0])).level.tolist()
    [3.0]
    """
    if not np.all(np.isfinite(change_mm)):
        raise MetrologyError("change_mm", change_mm.tolist()[:4], "finite numbers")
    begun = states.visits > 0
    return replace(
        states,
        level=np.where(begun, states.level - change_mm, states.level),
        last_mm=np.where(begun, states.last_mm - change_mm, states.last_mm),
    )


def after_event(
    states: DriftStates,
    corners: Flags,
    prior_rate: float = 0.0,
    prior_rate_variance: float = DEFAULT_RATE_VARIANCE,
    prior_level_variance: float = math.inf,
) -> DriftStates:
    """The states after something was replaced or repaired at some corners: these start afresh.

    Parameters
    ----------
    corners : array of bool, shape (n,)
        Which corners the event concerns.
    prior_rate, prior_rate_variance, prior_level_variance : float
        Priors as for `fresh_states`.

    Source: definition.

    >>> states = measured(fresh_states(2), 0.0, np.array([1.0, 2.0]), 1.0)
    >>> after_event(states, np.array([True, False])).visits.tolist()
    [0.0, 1.0]
    """
    return chosen_states(
        corners, fresh_states(corners.size, prior_rate, prior_rate_variance, prior_level_variance), states
    )


def put_right(states: DriftStates, corners: Flags) -> DriftStates:
    """The states after a job was signed off: a step found before is dealt with.

    Source: definition.

    >>> put_right(fresh_states(1), np.array([True])).step_mm.tolist()
    [nan]
    """
    return replace(
        states,
        step_mm=np.where(corners, np.nan, states.step_mm),
        step_day=np.where(corners, np.nan, states.step_day),
    )
