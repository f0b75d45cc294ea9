"""What a model's fleet teaches about how fast its corners drift: the prior of a corner's rate (empirical Bayes).

Each corner's rate is a draw of its model, measured by its series with an uncertainty of its own. The spread that a
fleet shows is used where it is wider than the default's, never where it is narrower: corners that are sound do not tell
how fast one that fails will drift, and a prior as narrow as they are would hide it (simulated: of ramps from the start
28 % were warned of in time, instead of 90 %).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .drift_state import DEFAULT_RATE_VARIANCE, DriftStates
from .random_effects import Default, population

Vector = NDArray[np.float64]

DEFAULT_WEIGHT = 10.0
"""Corners that the default counts for, in the mean and in the spread."""
TEACHING_SHARE = 0.9
"""Of the prior's variance: a series that has not brought its rate's variance below that teaches nothing yet."""


@dataclass(frozen=True, slots=True)
class RatePrior:
    """Prior of a corner's rate: mean in mm a year, variance in its square, and from how many corners."""

    mean: float = 0.0
    variance: float = DEFAULT_RATE_VARIANCE
    corners: int = 0


DEFAULT_RATE_PRIOR = RatePrior()


def rate_evidence(states: DriftStates) -> tuple[Vector, Vector]:
    """What the series themselves say of their rates, their priors taken out again: mm a year, its square; shape (m,).

    `1/v = 1/P - 1/P₀`, `y = v·(r/P - r₀/P₀)`. Only corners whose series has narrowed its rate noticeably. Exact for a
    constant rate; with a wandering one it is nearly what the last years say.

    Source: Bayes' theorem for normal distributions.

    >>> from .drift_filter import measured
    >>> from .drift_state import Wander, fresh_states
    >>> steady = Wander(0.0, 0.0, 1e9)
    >>> states = measured(fresh_states(1, 0.0, 9.0), 0.0, np.array([0.0]), 1.0, wander=steady)
    >>> states = measured(states, 365.25, np.array([5.0]), 1.0, wander=steady)
    >>> [part.round(6).tolist() for part in rate_evidence(states)]
    [[5.0], [2.0]]
    """
    taught = states.take(states.rate_variance < TEACHING_SHARE * states.prior_rate_variance)
    variance = 1.0 / (1.0 / taught.rate_variance - 1.0 / taught.prior_rate_variance)
    own = taught.rate / taught.rate_variance - taught.prior_rate / taught.prior_rate_variance
    return variance * own, variance


def rate_prior(
    rates: Vector, variances: Vector, default: RatePrior = DEFAULT_RATE_PRIOR, weight: float = DEFAULT_WEIGHT
) -> RatePrior:
    """Prior of a corner's rate from the rates of its model's fleet, shrunk to a default.

    Parameters
    ----------
    rates, variances : array of shape (n,)
        From `rate_evidence`: mm a year and its square.
    default : RatePrior
        What counts without a fleet.
    weight : float
        Corners that the default counts for.

    The variance is that of one more corner (between corners, and of the mean), and at least the default's.

    Raises
    ------
    MetrologyError
        If shapes differ or a variance is not a finite number from 0.

    Source: `random_effects.population`.

    >>> rate_prior(np.array([]), np.array([])) == DEFAULT_RATE_PRIOR
    True
    """
    if rates.size == 0:
        return default
    found = population(rates, variances, Default(default.mean, default.variance**0.5, weight, weight))
    predictive = found.sd**2 + found.mean_uncertainty**2
    return RatePrior(found.mean, max(predictive, default.variance), found.draws)
