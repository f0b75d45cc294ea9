"""Where a drifting corner will be, how likely it has left its tolerance by a date, and when it will have.

All of it follows from the filter's state in closed form. A corner that moves steadily leaves a tolerance once and does
not come back, so that it is inside up to a date when it is inside today and on that date: the probability of a
rectangle under a bivariate normal distribution, by Owen's T function. The wander of level and rate until the date is
included; an excursion that comes back by itself in between is not.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, owens_t

from .drift_filter import predicted
from .drift_state import DAYS_PER_YEAR, WANDER, DriftStates, Wander, judged_variance
from .errors import MetrologyError

Vector = NDArray[np.float64]

HORIZON_DAYS = 20.0 * DAYS_PER_YEAR
"""Dates beyond are not stated."""
MEDIAN = 0.5
INTERVAL = (0.1, 0.9)
"""Quantiles of the leaving date: the interval between them holds 80 %."""
BISECTIONS = 20
"""Twenty years halved twenty times: ten minutes."""
ALMOST_ONE = 1.0 - 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class LeavingDates:
    """When corners are expected to have left their tolerance: days, shape (n,); inf beyond twenty years.

    `expected` is the median (with a rate that may be nought the mean is infinite); `earliest` and `latest` hold 80 %.
    """

    expected: Vector
    earliest: Vector
    latest: Vector


def forecast(states: DriftStates, day: Vector | float, *, wander: Wander = WANDER) -> tuple[Vector, Vector]:
    """Expected deviation on a day and its standard deviation, mm, each of shape (n,); the instrument's part included.

    Raises
    ------
    MetrologyError
        If the day lies before a state's.

    Source: Kalman prediction (see `drift_filter.predicted`).

    >>> from .drift_filter import measured
    >>> from .drift_state import fresh_states
    >>> states = measured(fresh_states(1, 2.0, 4.0), 0.0, np.array([1.0]), 1.0)
    >>> [part.round(3).tolist() for part in forecast(states, 365.25, wander=Wander(0.0, 0.0))]
    [[3.0], [2.236]]
    """
    there = _as_judged(predicted(states, day, wander))
    return there.level, np.sqrt(there.level_variance)


def probability_of_leaving(
    states: DriftStates, day: Vector | float, tolerance_mm: Vector | float, *, wander: Wander = WANDER
) -> Vector:
    """Probability that a corner is outside its tolerance at the state's day or will be on a later one, shape (n,).

    `1 - P(|h| ≤ tol and |h + r·t + wander| ≤ tol)`, level and rate jointly normal.

    Parameters
    ----------
    day : float or array of shape (n,)
        The later day.
    tolerance_mm : float or array of shape (n,)
        Half-width of the tolerance about the target, mm.

    Raises
    ------
    MetrologyError
        If a tolerance is negative, or the day lies before a state's.

    Source: bivariate normal distribution by Owen 1956; against SciPy's multivariate normal.

    >>> from .drift_filter import measured
    >>> from .drift_state import fresh_states
    >>> states = measured(fresh_states(1), 0.0, np.array([4.0]), 1.0)
    >>> probability_of_leaving(states, 120.0, 6.0).round(3).tolist()
    [0.142]
    """
    tolerance = _checked(tolerance_mm)
    now, then = _as_judged(states), _as_judged(predicted(states, day, wander))
    years = (then.day - now.day) / DAYS_PER_YEAR
    covariance = now.level_variance + years * now.covariance
    with np.errstate(divide="ignore", invalid="ignore"):
        sd_now, sd_then = np.sqrt(now.level_variance), np.sqrt(then.level_variance)
        correlation = np.clip(covariance / (sd_now * sd_then), -ALMOST_ONE, ALMOST_ONE)
        low, high = (-tolerance - now.level) / sd_now, (tolerance - now.level) / sd_now
        low_then, high_then = (-tolerance - then.level) / sd_then, (tolerance - then.level) / sd_then
    inside = (
        bivariate_normal(high, high_then, correlation)
        - bivariate_normal(low, high_then, correlation)
        - bivariate_normal(high, low_then, correlation)
        + bivariate_normal(low, low_then, correlation)
    )
    return np.where(states.visits > 0, np.clip(1.0 - inside, 0.0, 1.0), np.nan)


def leaving_bound(
    states: DriftStates, day: Vector | float, tolerance_mm: Vector | float, *, wander: Wander = WANDER
) -> Vector:
    """An upper bound of `probability_of_leaving` at a fraction of its cost: outside now, plus outside then.

    Arguments and errors as there. Source: Bonferroni's inequality.

    >>> from .drift_filter import measured
    >>> from .drift_state import fresh_states
    >>> states = measured(fresh_states(1), 0.0, np.array([4.0]), 1.0)
    >>> leaving_bound(states, 120.0, 6.0).round(3).tolist()
    [0.155]
    """
    tolerance = _checked(tolerance_mm)
    now, then = _as_judged(states), _as_judged(predicted(states, day, wander))
    outside = np.zeros_like(now.level)
    for state in (now, then):
        with np.errstate(divide="ignore", invalid="ignore"):
            sd = np.sqrt(state.level_variance)
            outside += ndtr((state.level - tolerance) / sd) + ndtr((-state.level - tolerance) / sd)
    return np.where(states.visits > 0, outside, np.nan)


def leaving_dates(states: DriftStates, tolerance_mm: Vector | float, *, wander: Wander = WANDER) -> LeavingDates:
    """Expected date of leaving the tolerance with its 80 % interval: quantiles of `probability_of_leaving` over days.

    A quantile that has passed already at the state's day is that day; one beyond twenty years, or of a corner never
    measured, is inf. Arguments and errors as for `probability_of_leaving`.

    Source: the distribution function, inverted by bisection.

    >>> from .drift_filter import measured
    >>> from .drift_state import fresh_states
    >>> states = measured(fresh_states(1, 6.0, 0.01), 0.0, np.array([0.0]), 0.01)
    >>> dates = leaving_dates(states, 6.0, wander=Wander(0.0, 0.0))
    >>> dates.earliest.round().tolist(), dates.expected.round().tolist(), dates.latest.round().tolist()
    ([354.0], [365.0], [376.0])
    """
    tolerance = np.broadcast_to(_checked(tolerance_mm), states.level.shape)
    earliest, latest = (_quantile(states, tolerance, share, wander) for share in INTERVAL)
    return LeavingDates(_quantile(states, tolerance, MEDIAN, wander), earliest, latest)


def bivariate_normal(h: Vector, k: Vector, correlation: Vector) -> Vector:
    """P(X ≤ h, Y ≤ k) of two standard normal variables; any shape, correlation between -1 and 1 exclusive.

    Source: Owen, Tables for computing bivariate normal probabilities, 1956, by SciPy's T function.

    >>> float(bivariate_normal(np.array(0.0), np.array(0.0), np.array(0.5)).round(6))
    0.333333
    """
    h, k = np.where(h == 0.0, 1e-150, h), np.where(k == 0.0, 1e-150, k)
    root = np.sqrt(1.0 - correlation**2)
    opposite = np.where(h * k < 0.0, 0.5, 0.0)
    wedges: Vector = owens_t(h, (k / h - correlation) / root) + owens_t(k, (h / k - correlation) / root)
    return 0.5 * (ndtr(h) + ndtr(k)) - wedges - opposite


def _quantile(states: DriftStates, tolerance: Vector, share: float, wander: Wander) -> Vector:
    low, high = np.zeros_like(states.level), np.full_like(states.level, HORIZON_DAYS)
    reached = probability_of_leaving(states, states.day + high, tolerance, wander=wander) >= share
    for _ in range(BISECTIONS):
        middle = 0.5 * (low + high)
        left = probability_of_leaving(states, states.day + middle, tolerance, wander=wander) >= share
        low, high = np.where(left, low, middle), np.where(left, middle, high)
    return np.where(reached, states.day + high, np.inf)


def _as_judged(states: DriftStates) -> DriftStates:
    """The instrument's part does not average out of a level, and has no part in a rate."""
    share = states.instrument_share
    return replace(
        states,
        level_variance=judged_variance(states.level_variance, share, states.last_variance),
        covariance=states.covariance * (1.0 - share),
    )


def _checked(tolerance_mm: Vector | float) -> Vector:
    tolerance = np.asarray(tolerance_mm, dtype=np.float64)
    if not np.all(tolerance >= 0):
        raise MetrologyError("tolerance_mm", float(np.min(tolerance)), "numbers from 0")
    return tolerance
