"""How one technician's readings with one instrument went over time: repeatability and slips, with confidence intervals.

The groups are judged by `readings`, in the order in which they were read, so that the periods add up to the running
sums that rounds are frozen with. Every length is in millimetres.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from scipy.special import betaincinv, chdtri

from .errors import MetrologyError
from .readings import RepeatabilityState, with_group, with_slip

if TYPE_CHECKING:
    from collections.abc import Iterable

CONFIDENCE_LEVEL = 0.95

Interval = tuple[float, float]


@dataclass(frozen=True, slots=True)
class ReadingGroup:
    """What one person read of a corner at one go. `struck`: a reading of it was struck out, so it is a slip."""

    period: str
    """The caller's name for the time it falls into, such as `2026-03`."""
    readings_mm: tuple[float, ...]
    struck: bool = False


@dataclass(frozen=True, slots=True)
class PeriodRepeatability:
    """Repeatability and slips in one period, from its own groups alone: no prior, no floor.

    The standard deviation and its interval are None where every group was a slip.
    """

    period: str
    groups: int
    slips: int
    degrees_of_freedom: int
    standard_deviation_mm: float | None
    standard_deviation_interval_mm: Interval | None
    slip_rate: float
    slip_rate_interval: Interval


def standard_deviation_interval(
    standard_deviation: float, degrees_of_freedom: float, confidence: float = CONFIDENCE_LEVEL
) -> Interval:
    """Two-sided confidence interval of a standard deviation of normal readings: s·√(nu/χ²).

    Parameters
    ----------
    standard_deviation : float
        Estimate s, from 0.
    degrees_of_freedom : float
        nu, above 0.
    confidence : float
        Between 0 and 1.

    Returns
    -------
    (float, float)
        Lower and upper limit, in the unit of s.

    Raises
    ------
    MetrologyError
        If an argument is outside its range.

    Source: textbook interval by the chi-square distribution, equal tails.

    >>> [round(limit, 3) for limit in standard_deviation_interval(1.0, 10)]
    [0.699, 1.755]
    """
    if not (math.isfinite(standard_deviation) and standard_deviation >= 0):
        raise MetrologyError("standard_deviation", standard_deviation, "a finite number from 0")
    if not (math.isfinite(degrees_of_freedom) and degrees_of_freedom > 0):
        raise MetrologyError("degrees_of_freedom", degrees_of_freedom, "a finite number above 0")
    tail = _tail(confidence)
    # chdtri inverts the upper tail.
    low, high = (
        standard_deviation * math.sqrt(degrees_of_freedom / chdtri(degrees_of_freedom, p)) for p in (tail, 1 - tail)
    )
    return float(low), float(high)


def rate_interval(events: int, trials: int, confidence: float = CONFIDENCE_LEVEL) -> Interval:
    """Two-sided exact confidence interval of a rate (Clopper and Pearson 1934): quantiles of beta distributions.

    Parameters
    ----------
    events, trials : int
        `0 ≤ events ≤ trials`, at least one trial.
    confidence : float
        Between 0 and 1.

    Raises
    ------
    MetrologyError
        If an argument is outside its range.

    Source: Clopper-Pearson interval.

    >>> [round(limit, 4) for limit in rate_interval(0, 10)]
    [0.0, 0.3085]
    """
    if not trials >= 1:
        raise MetrologyError("trials", trials, "at least 1")
    if not 0 <= events <= trials:
        raise MetrologyError("events", events, f"0 to {trials}")
    tail = _tail(confidence)
    low = float(betaincinv(events, trials - events + 1, tail)) if events > 0 else 0.0
    high = float(betaincinv(events + 1, trials - events, 1 - tail)) if events < trials else 1.0
    return low, high


def by_period(
    groups: Iterable[ReadingGroup], resolution_mm: float, known: RepeatabilityState | None = None
) -> tuple[PeriodRepeatability, ...]:
    """Repeatability and slip rate of one technician with one instrument, period by period.

    A slip is told by what was known before its group, as `readings.with_group` does, from the first group on.

    Parameters
    ----------
    groups : iterable of ReadingGroup
        Oldest first; the groups of a period stand together.
    resolution_mm : float
        Resolution of the instrument, mm.
    known : RepeatabilityState or None
        Running sums before the first group; None: nothing was known.

    Returns
    -------
    tuple of PeriodRepeatability
        In the order of the groups.

    Raises
    ------
    MetrologyError
        If a period comes again after another, or a group is not two or more finite readings.

    Source: ISO 5725-2 (pooled variance); `standard_deviation_interval`; `rate_interval`.

    >>> month = by_period([ReadingGroup("2026-03", (500.0, 502.0)), ReadingGroup("2026-03", (500.0, 520.0))], 1.0)
    >>> [(each.period, each.groups, each.slips, round(each.standard_deviation_mm, 2)) for each in month]
    [('2026-03', 2, 1, 1.41)]
    """
    state = known or RepeatabilityState()
    spans: dict[str, tuple[RepeatabilityState, RepeatabilityState]] = {}
    latest: str | None = None
    for group in groups:
        if group.period in spans and group.period != latest:
            raise MetrologyError("groups", group.period, "the groups of a period together, oldest first")
        after = _with(state, group, resolution_mm)
        before, _ = spans.get(group.period, (state, state))
        spans[group.period] = before, after
        state, latest = after, group.period
    return tuple(_between(period, *span) for period, span in spans.items())


def _with(state: RepeatabilityState, group: ReadingGroup, resolution_mm: float) -> RepeatabilityState:
    return with_slip(state) if group.struck else with_group(state, group.readings_mm, resolution_mm)


def _between(period: str, before: RepeatabilityState, after: RepeatabilityState) -> PeriodRepeatability:
    """What the running sums gained in a period."""
    groups, slips = after.groups - before.groups, after.slips - before.slips
    freedom = after.degrees_of_freedom - before.degrees_of_freedom
    squares = max(after.sum_of_squares_mm2 - before.sum_of_squares_mm2, 0.0)
    deviation = math.sqrt(squares / freedom) if freedom else None
    return PeriodRepeatability(
        period=period,
        groups=groups,
        slips=slips,
        degrees_of_freedom=freedom,
        standard_deviation_mm=deviation,
        standard_deviation_interval_mm=None if deviation is None else standard_deviation_interval(deviation, freedom),
        slip_rate=slips / groups,
        slip_rate_interval=rate_interval(slips, groups),
    )


def _tail(confidence: float) -> float:
    if not 0 < confidence < 1:
        raise MetrologyError("confidence", confidence, "a number between 0 and 1")
    return (1 - confidence) / 2
