"""Mean and spread of a population from draws that were each measured with an uncertainty of their own.

Shrunk to a default that is stated beforehand, never switched on: without draws the answer is the default, with many it
is theirs, and in between both count by what they weigh.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .errors import MetrologyError

Vector = NDArray[np.float64]

SMALLEST, LARGEST = 1e-12, 1e12
"""Of the ratio of the population's variance to the default's, where the root is looked for."""


@dataclass(frozen=True, slots=True)
class Default:
    """What is assumed of a population before any draw; `draws` that the mean, `freedom` that the spread counts for."""

    mean: float
    sd: float
    draws: float
    freedom: float

    def __post_init__(self) -> None:
        if not (np.isfinite(self.mean) and self.sd > 0 and self.draws >= 0 and self.freedom >= 0):
            raise MetrologyError("default", self, "a finite mean, a standard deviation above 0, weights from 0")


@dataclass(frozen=True, slots=True)
class Population:
    """Mean with its standard uncertainty, standard deviation between draws, and how many draws there were."""

    mean: float
    mean_uncertainty: float
    sd: float
    draws: int


def population(
    estimates: Vector, variances: Vector, default: Default, between_factors: Vector | None = None
) -> Population:
    """Random-effects mean and between-draw standard deviation, shrunk to a default.

    Each estimate is the mean plus a draw of variance `factor·τ²` plus an error of known variance. τ² solves the
    generalised Q equation with the default's degrees of freedom added,
    `Σ (y - ȳ)²/(v + f·τ²) + freedom·sd²/τ² = n - 1 + freedom`, ȳ the weighted mean; with no freedom in the default this
    is Paule and Mandel's estimate. The mean then weighs the default as that many exact draws.

    Parameters
    ----------
    estimates, variances : array of shape (n,)
        Any unit, and its square; n from 0.
    default : Default
        In the same unit.
    between_factors : array of shape (n,), optional
        Share of τ² in each draw; 1 unless given.

    Raises
    ------
    MetrologyError
        If shapes differ, a variance is not a finite number from 0, or n and the default both say nothing.

    Source: Paule and Mandel 1982; DerSimonian and Kacker 2007 (generalised Q); against statsmodels. The default's part
    is the project's own, after the pooling of variances in ISO 5725-2.

    >>> found = population(np.array([1.0, 3.0]), np.zeros(2), Default(0.0, 1.0, 0.0, 0.0))
    >>> round(found.mean, 6), round(found.sd, 6)
    (2.0, 1.414214)
    >>> population(np.array([]), np.array([]), Default(0.9, 0.15, 1.0, 4.0)).sd
    0.15
    """
    factors = np.ones_like(estimates) if between_factors is None else between_factors
    _check(estimates, variances, factors, default)
    between = _between_variance(estimates, variances, factors, default)
    if between == 0.0:
        between = SMALLEST * default.sd**2
    weights = 1.0 / (variances + factors * between)
    prior_weight = default.draws / between
    total = float(weights.sum()) + prior_weight
    mean = (float(weights @ estimates) + prior_weight * default.mean) / total
    return Population(mean, total**-0.5, between**0.5, estimates.size)


def _between_variance(estimates: Vector, variances: Vector, factors: Vector, default: Default) -> float:
    """The root of the generalised Q equation; 0 where even no spread at all explains the estimates."""
    from scipy.optimize import brentq  # Slow to load, and needed late: no process need wait for it when it starts.

    if estimates.size < 2:
        return default.sd**2

    def excess(log_ratio: float) -> float:
        between = default.sd**2 * np.exp(log_ratio)
        weights = 1.0 / (variances + factors * between)
        mean = weights @ estimates / weights.sum()
        spread = float(weights @ (estimates - mean) ** 2) + default.freedom * default.sd**2 / between
        return float(spread - (estimates.size - 1 + default.freedom))

    lowest, highest = float(np.log(SMALLEST)), float(np.log(LARGEST))
    if excess(lowest) <= 0:
        return 0.0
    return default.sd**2 * float(np.exp(brentq(excess, lowest, highest, xtol=1e-13)))


def _check(estimates: Vector, variances: Vector, factors: Vector, default: Default) -> None:
    if not (estimates.ndim == 1 and estimates.shape == variances.shape == factors.shape):
        raise MetrologyError("estimates", estimates.shape, "one variance and one factor each")
    if not np.all(np.isfinite(variances) & (variances >= 0)):
        raise MetrologyError("variances", variances.tolist()[:4], "finite numbers from 0")
    if not np.all(np.isfinite(factors) & (factors > 0)):
        raise MetrologyError("between_factors", factors.tolist()[:4], "finite numbers above 0")
    if estimates.size == 0 and default.draws == 0:
        raise MetrologyError("estimates", [], "at least one, where the default has no weight")
