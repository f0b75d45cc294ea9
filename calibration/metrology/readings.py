"""Repeated readings at a corner: repeatability, the repeat rule, and the value taken from the readings.

Sources: ISO 5725-6 (checking repeated results against the repeatability limit and the critical range);
ISO 5725-2 for the pooled repeatability variance. Every length is in millimetres.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from statistics import fmean, median, variance
from typing import TYPE_CHECKING, Literal

from .errors import MetrologyError

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

Estimator = Literal["mean", "median"]
HeightProblem = Literal["not_positive", "beyond_instrument", "confirm_height"]
HeightUnit = Literal["inch", "centimetre", "metre"]

PRIOR_STANDARD_DEVIATION_MM = 1.0
PRIOR_DEGREES_OF_FREEDOM = 8
SLIP_RANGE_FACTOR = 6.0
MEDIAN_FACTOR = 1.25
"""Standard deviation of a median relative to that of a mean, for normal readings (large samples: √(π/2))."""
READINGS_AFTER_DISAGREEMENT = 4
GROSS_LIMIT_MM = 150.0
MM_PER_UNIT: dict[HeightUnit, float] = {"inch": 25.4, "centimetre": 10.0, "metre": 1000.0}
CRITICAL_RANGE_FACTORS: dict[int, float] = {
    2: 2.8, 3: 3.3, 4: 3.6, 5: 3.9, 6: 4.0, 7: 4.2, 8: 4.3, 9: 4.4, 10: 4.5, 11: 4.6,
    12: 4.6, 13: 4.7, 14: 4.7, 15: 4.8, 16: 4.8, 17: 4.9, 18: 4.9, 19: 5.0, 20: 5.0,
}  # fmt: skip
"""Critical-range factors f(n) of ISO 5725-6 for 95 %: range of n readings over their standard deviation."""
_SAME_MM = 1e-6
"""Binary rounding of decimal readings must not turn a range equal to a limit into one above it."""


@dataclass(frozen=True, slots=True)
class Repeatability:
    """A repeatability standard deviation s_r and its degrees of freedom, as known before a round."""

    standard_deviation_mm: float
    degrees_of_freedom: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.standard_deviation_mm) and self.standard_deviation_mm > 0):
            raise MetrologyError(
                "standard_deviation_mm",
                self.standard_deviation_mm,
                "a finite number above 0",
            )
        if not self.degrees_of_freedom >= 1:
            raise MetrologyError("degrees_of_freedom", self.degrees_of_freedom, "a number from 1")


PRIOR_REPEATABILITY = Repeatability(PRIOR_STANDARD_DEVIATION_MM, PRIOR_DEGREES_OF_FREEDOM)


@dataclass(frozen=True, slots=True)
class RepeatabilityState:
    """Running sums of one technician with one instrument; all zero for a pair never seen.

    `sum_of_squares_mm2` is Σ nu_j·s_j² and `degrees_of_freedom` Σ nu_j over the groups that are no slips;
    `groups` counts all groups, slips included.
    """

    sum_of_squares_mm2: float = 0.0
    degrees_of_freedom: int = 0
    groups: int = 0
    slips: int = 0

    @property
    def slip_rate(self) -> float | None:
        """Share of the groups that were slips; None before the first group."""
        return self.slips / self.groups if self.groups else None


@dataclass(frozen=True, slots=True)
class CornerEstimate:
    """The value taken from a corner's unstruck readings of one round, and what the repeat rule says."""

    value_mm: float
    readings: int
    estimator: Estimator
    range_mm: float
    repeat_limit_mm: float
    disagrees: bool
    """The range of the readings is above the limit for their number."""
    repeats_wanted: int
    """Further readings that the repeat rule asks for; 0 when the readings agree or the median was taken."""

    @property
    def repeatability_factor(self) -> float:
        """What the repeatability component is multiplied by: 1 for a mean, 1.25 for a median."""
        return MEDIAN_FACTOR if self.estimator == "median" else 1.0


def repeatability(state: RepeatabilityState, resolution_mm: float) -> Repeatability:
    """Repeatability of a technician with an instrument, shrunk to the prior.

    `s² = (nu0·s0² + Σ nu_j·s_j²)/(nu0 + Σ nu_j)` with s0 = 1.0 mm and nu0 = 8, never below δ/√6: readings
    that always agree say no more than that they agree within the resolution δ.

    Parameters
    ----------
    state : RepeatabilityState
        Running sums known before the round.
    resolution_mm : float
        Resolution δ of the instrument, mm, above 0.

    Raises
    ------
    MetrologyError
        If the resolution is not a finite number above 0.

    Source: ISO 5725-2 (pooled variance); the prior and the floor are the project's own choice.

    >>> repeatability(RepeatabilityState(), 1.0)
    Repeatability(standard_deviation_mm=1.0, degrees_of_freedom=8)
    """
    _check_resolution(resolution_mm)
    degrees_of_freedom = PRIOR_DEGREES_OF_FREEDOM + state.degrees_of_freedom
    prior = PRIOR_DEGREES_OF_FREEDOM * PRIOR_STANDARD_DEVIATION_MM**2
    shrunk = math.sqrt((prior + state.sum_of_squares_mm2) / degrees_of_freedom)
    return Repeatability(max(shrunk, resolution_mm / math.sqrt(6)), degrees_of_freedom)


def with_group(state: RepeatabilityState, readings_mm: Sequence[float], resolution_mm: float) -> RepeatabilityState:
    """The running sums after one more group: the repeated readings of one corner in one round.

    A group whose range is above 6·s_r (s_r as known before it) is a slip: counted, but left out of the
    variance, which describes careful work.

    Parameters
    ----------
    state : RepeatabilityState
    readings_mm : sequence of float, at least two
        Readings of one corner by one technician with one instrument, mm.
    resolution_mm : float
        Resolution of the instrument, mm.

    Raises
    ------
    MetrologyError
        If there are fewer than two readings, or one is not finite.

    Source: ISO 5725-2, pooled within-group variance; the slip rule is the project's own.

    >>> with_group(RepeatabilityState(), [500.0, 502.0], 1.0)
    RepeatabilityState(sum_of_squares_mm2=2.0, degrees_of_freedom=1, groups=1, slips=0)
    """
    _check_readings(readings_mm, at_least=2)
    known = repeatability(state, resolution_mm).standard_deviation_mm
    if _range(readings_mm) > SLIP_RANGE_FACTOR * known + _SAME_MM:
        return with_slip(state)
    freedom = len(readings_mm) - 1
    return RepeatabilityState(
        state.sum_of_squares_mm2 + freedom * variance(readings_mm),
        state.degrees_of_freedom + freedom,
        state.groups + 1,
        state.slips,
    )


def with_slip(state: RepeatabilityState) -> RepeatabilityState:
    """The running sums after one more group with a wrong reading in it: counted, but left out of the variance.

    >>> with_slip(RepeatabilityState(2.0, 1, groups=1))
    RepeatabilityState(sum_of_squares_mm2=2.0, degrees_of_freedom=1, groups=2, slips=1)
    """
    return replace(state, groups=state.groups + 1, slips=state.slips + 1)


def largest_repeatability(repeatabilities: Iterable[Repeatability]) -> Repeatability:
    """The repeatability of a round that several persons or instruments took part in: the largest.

    Of equal standard deviations the one with the fewest degrees of freedom, which gives the larger factor.

    >>> largest_repeatability([Repeatability(0.8, 30), Repeatability(1.1, 9)])
    Repeatability(standard_deviation_mm=1.1, degrees_of_freedom=9)
    """
    known = tuple(repeatabilities)
    if not known:
        raise MetrologyError("repeatabilities", known, "at least one")
    return max(known, key=lambda each: (each.standard_deviation_mm, -each.degrees_of_freedom))


def repeat_limit_mm(standard_deviation_mm: float, resolution_mm: float, readings: int = 2) -> float:
    """The range of `readings` repeated readings that is exceeded in 5 % of careful work; never below 2δ.

    Parameters
    ----------
    standard_deviation_mm : float
        Repeatability standard deviation s_r, mm.
    resolution_mm : float
        Resolution δ, mm.
    readings : int
        2 to 20.

    Raises
    ------
    MetrologyError
        If the number of readings is not tabulated.

    Source: ISO 5725-6, critical-range factors f(n).

    >>> repeat_limit_mm(1.0, 1.0), repeat_limit_mm(0.5, 1.0), repeat_limit_mm(1.0, 1.0, 4)
    (2.8, 2.0, 3.6)
    """
    _check_resolution(resolution_mm)
    if readings not in CRITICAL_RANGE_FACTORS:
        raise MetrologyError("readings", readings, "2 to 20 readings")
    return max(CRITICAL_RANGE_FACTORS[readings] * standard_deviation_mm, 2 * resolution_mm)


def estimate(readings_mm: Sequence[float], standard_deviation_mm: float, resolution_mm: float) -> CornerEstimate:
    """The value taken from the unstruck readings of one corner in one round.

    Readings whose range is within the limit for their number give their mean. Two or three that disagree
    ask for more until there are four; four or more that disagree give their median, with the repeatability
    component multiplied by 1.25. No reading is dropped.

    Parameters
    ----------
    readings_mm : sequence of float, 1 to 20
        Unstruck readings, mm, in any order.
    standard_deviation_mm : float
        Repeatability standard deviation s_r, mm.
    resolution_mm : float
        Resolution δ, mm.

    Raises
    ------
    MetrologyError
        If there is no reading, more than 20, or one is not finite.

    Source: ISO 5725-6, method for checking the acceptability of test results.

    >>> estimate([500.0, 503.0], 1.0, 1.0).repeats_wanted
    2
    >>> found = estimate([500.0, 503.0, 510.0, 501.0], 1.0, 1.0)
    >>> found.value_mm, found.estimator
    (502.0, 'median')
    """
    _check_readings(readings_mm, at_least=1)
    count, spread = len(readings_mm), _range(readings_mm)
    limit = repeat_limit_mm(standard_deviation_mm, resolution_mm, max(count, 2))
    disagrees = spread > limit + _SAME_MM
    settled_by_median = disagrees and count >= READINGS_AFTER_DISAGREEMENT
    return CornerEstimate(
        value_mm=median(readings_mm) if settled_by_median else fmean(readings_mm),
        readings=count,
        estimator="median" if settled_by_median else "mean",
        range_mm=spread,
        repeat_limit_mm=limit,
        disagrees=disagrees,
        repeats_wanted=READINGS_AFTER_DISAGREEMENT - count if disagrees and not settled_by_median else 0,
    )


def height_problem(height_mm: float, target_mm: float, instrument_length_mm: float) -> HeightProblem | None:
    """Why a typed height cannot be taken as it stands; None if it can.

    `not_positive` and `beyond_instrument` are malformed; `confirm_height` (more than 150 mm from target) is
    taken once it is entered again to confirm.

    >>> height_problem(19.1, 486, 3000), height_problem(480, 486, 3000), height_problem(-3, 486, 3000)
    ('confirm_height', None, 'not_positive')
    """
    if not height_mm > 0:
        return "not_positive"
    if height_mm > instrument_length_mm:
        return "beyond_instrument"
    return "confirm_height" if abs(height_mm - target_mm) > GROSS_LIMIT_MM else None


def likely_unit(height: float, target_mm: float) -> HeightUnit | None:
    """The unit that would bring a grossly wrong height nearest to the target, if within the gross limit.

    >>> likely_unit(19.1, 486.0), likely_unit(48.7, 486.0), likely_unit(0.465, 486.0), likely_unit(700.0, 486.0)
    ('inch', 'centimetre', 'metre', None)
    """
    distances = {unit: abs(height * factor - target_mm) for unit, factor in MM_PER_UNIT.items()}
    unit = min(distances, key=distances.__getitem__)
    return unit if distances[unit] <= GROSS_LIMIT_MM else None


def _range(readings_mm: Sequence[float]) -> float:
    return max(readings_mm) - min(readings_mm)


def _check_readings(readings_mm: Sequence[float], at_least: int) -> None:
    if len(readings_mm) < at_least:
        raise MetrologyError("readings_mm", tuple(readings_mm), f"at least {at_least} readings")
    if not all(math.isfinite(reading) for reading in readings_mm):
        raise MetrologyError("readings_mm", tuple(readings_mm), "finite numbers")


def _check_resolution(resolution_mm: float) -> None:
    if not (math.isfinite(resolution_mm) and resolution_mm > 0):
        raise MetrologyError("resolution_mm", resolution_mm, "a finite number above 0")
