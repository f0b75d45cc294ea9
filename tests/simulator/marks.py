"""Every mark with its limit, in this one place, and how a figure gets its 95 % interval.

The limits are the design's (metrology, sections 6 and 8). For the leak test it names none; there they follow from its
guard band: with w = U, two-sided 95 %, at most 2.5 % of the verdicts on one side of the limit are wrong.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

CONFIDENCE = 0.95
COVERAGE_FACTOR = float(stats.norm.isf((1.0 - CONFIDENCE) / 2.0))
Facts = Sequence[bool] | NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Limit:
    """What a figure is held against."""

    value: float
    at_least: bool

    def holds(self, figure: float) -> bool:
        return figure >= self.value if self.at_least else figure <= self.value

    def __str__(self) -> str:
        return f"{'≥' if self.at_least else '≤'} {self.value:g}"


def _at_least(value: float) -> Limit:
    return Limit(value, at_least=True)


def _at_most(value: float) -> Limit:
    return Limit(value, at_least=False)


LIMITS = {
    "writes / hand method's writes": _at_most(0.34),
    "signed off with at most one write": _at_least(0.60),
    "truly within at sign-off": _at_least(0.998),
    "arrived true, left untouched": _at_least(0.99),
    "dead or reversed named after first write": _at_least(0.99),
    "ordinary stopped for inspection": _at_most(0.006),
    "ordinary finished without a manager": _at_least(0.99),
    "endless jobs": _at_most(0.0),
    "rounds a job": _at_most(3.5),
    "readings a job": _at_most(32.0),
    "later visits: writes / hand method's writes": _at_most(0.28),
    "later visits: truly within at sign-off": _at_least(0.998),
    "later visits: stopped for a suspect corner": _at_most(0.006),
    "specification 20 % wrong: writes / a right one's": _at_most(1.05),
    "specification 20 % wrong: stopped": _at_most(0.008),
    "specification 20 % wrong: truly within": _at_least(0.998),
    "cooling alone called a leak": _at_most(0.025),
    "leaks called tight": _at_most(0.025),
    "false alerts of any kind per 30 vehicle-years": _at_most(1.0),
    "ramps warned of one check before the true crossing": _at_least(0.89),
    "steps of 8 mm found within two checks": _at_least(0.97),
}
"""By the name of the mark; a figure of another name is printed and held against nothing."""


@dataclass(frozen=True, slots=True)
class Mark:
    """One line of a table: a figure with its 95 % interval and what it was found from."""

    name: str
    value: float
    low: float
    high: float
    sample: str

    @property
    def limit(self) -> Limit | None:
        return LIMITS.get(self.name)

    @property
    def met(self) -> bool | None:
        """None where nothing is wanted; a figure that could not be found meets nothing."""
        return None if self.limit is None else self.limit.holds(self.value)

    @property
    def shown_missed(self) -> bool:
        """Whether the sample is large enough to say so: its whole interval misses the limit."""
        return self.limit is not None and not (self.limit.holds(self.low) or self.limit.holds(self.high))

    def line(self) -> str:
        verdict = {None: "", True: "met", False: "MISSED"}[self.met]
        figure = f"{self.value:8.4f}  [{self.low:.4f}, {self.high:.4f}]"
        return f"  {self.name:<52} {self.limit or ''!s:<8} {figure}  {self.sample:<22} {verdict}".rstrip()


HEAD = f"  {'mark':<52} {'wanted':<8} achieved  95 % interval     sample"


def share(name: str, facts: Facts) -> Mark:
    """A share with its Clopper-Pearson interval."""
    count, sample = int(np.sum(facts)), len(facts)
    if not sample:
        return _unknown(name)
    interval = stats.binomtest(count, sample).proportion_ci(CONFIDENCE, method="exact")
    return Mark(name, count / sample, float(interval.low), float(interval.high), f"{count} of {sample}")


def mean(name: str, values: Sequence[float]) -> Mark:
    """A mean with its interval from the normal distribution."""
    if not values:
        return _unknown(name)
    found, half = float(np.mean(values)), _half_width(np.array(values, dtype=float))
    return Mark(name, found, found - half, found + half, f"{len(values)}")


def ratio(name: str, ours: Sequence[float], theirs: Sequence[float]) -> Mark:
    """Ratio of means over the same vehicles, with its delta-method interval."""
    over, under = np.array(ours, dtype=float), np.array(theirs, dtype=float)
    if not under.any():
        return _unknown(name)
    found = float(over.mean() / under.mean())
    half = _half_width(over - found * under) / float(under.mean())
    return Mark(name, found, found - half, found + half, f"{len(under)}")


def per_thirty_years(name: str, events: int, years: float) -> Mark:
    """Events per 30 vehicle-years with the exact interval of a Poisson mean."""
    tail, scale = (1.0 - CONFIDENCE) / 2.0, 30.0 / years
    low = float(stats.chi2.ppf(tail, 2 * events)) / 2.0 if events else 0.0
    high = float(stats.chi2.isf(tail, 2 * events + 2)) / 2.0
    return Mark(name, events * scale, low * scale, high * scale, f"{events} in {years:.0f} years")


def _half_width(values: NDArray[np.float64]) -> float:
    return COVERAGE_FACTOR * float(np.std(values, ddof=1)) / len(values) ** 0.5 if len(values) > 1 else math.inf


def _unknown(name: str) -> Mark:
    return Mark(name, math.nan, math.nan, math.nan, "none")
