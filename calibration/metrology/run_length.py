"""Average run lengths of cumulative-sum charts, and the decision interval that gives a wanted one.

A chart's average run length is the mean number of observations up to and including its first signal, from sums
of zero. Sources: ISO 7870-4 (cumulative sum charts); Page's integral equation solved by Gauss-Legendre quadrature
(Nyström; Goel and Wu 1971); Markov chain of Brook and Evans 1972 where observations have no smooth density.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from .errors import MetrologyError

Vector = NDArray[np.float64]
Distribution = Callable[[Vector], Vector]

QUADRATURE_NODES = 60
MARKOV_STATES = 400
LONGEST_DECISION_INTERVAL = 60.0
"""In standard deviations; a longer one is asked for by no run length below 10¹²."""


def one_sided_run_length(reference_value: float, decision_interval: float, shift: float = 0.0) -> float:
    """Average run length of the sum max(0, S + z - k) that signals above h, for normal z of mean `shift`.

    Solves `L(s) = 1 + L(0)·Φ(k - s - shift) + ∫₀ʰ L(x)·φ(x + k - s - shift) dx` for L(0).

    Parameters
    ----------
    reference_value, decision_interval, shift : float
        k (from 0), h (from 0) and the mean of z, all in standard deviations of z.

    Raises
    ------
    MetrologyError
        If k or h is negative or not a number.

    Source: ISO 7870-4; Brook and Evans 1972 (k 0.5, h 3: 117.59).

    >>> round(one_sided_run_length(0.5, 3.0), 2), round(one_sided_run_length(0.5, 3.0, 1.5), 2)
    (117.6, 3.75)
    """
    _check("reference_value", reference_value)
    _check("decision_interval", decision_interval)
    nodes, weights = _quadrature()
    sums = np.concatenate([[0.0], decision_interval / 2.0 * (nodes + 1.0)])
    weight = decision_interval / 2.0 * weights
    drift = reference_value - shift
    kernel = np.empty((sums.size, sums.size))
    kernel[:, 0] = ndtr(drift - sums)
    distance = sums[None, 1:] + drift - sums[:, None]
    kernel[:, 1:] = np.exp(-0.5 * distance**2) / np.sqrt(2.0 * np.pi) * weight
    return float(np.linalg.solve(np.eye(sums.size) - kernel, np.ones(sums.size))[0])


def two_sided_run_length(reference_value: float, decision_interval: float, shift: float = 0.0) -> float:
    """Average run length of an upper and a lower sum watched together: 1/L = 1/L₊ + 1/L₋.

    Arguments and errors as for `one_sided_run_length`.

    Source: ISO 7870-4; Lucas and Crosier 1982 (k 0.5, h 4: 168; h 5: 465).

    >>> round(two_sided_run_length(0.5, 4.0), 1), round(two_sided_run_length(0.5, 4.0, 1.0), 2)
    (167.7, 8.38)
    """
    upper = one_sided_run_length(reference_value, decision_interval, shift)
    return 1.0 / (1.0 / upper + 1.0 / one_sided_run_length(reference_value, decision_interval, -shift))


def markov_run_length(distribution: Distribution, decision_interval: float) -> float:
    """Average run length of the sum max(0, S + x) that signals above h, for any distribution function of x.

    Parameters
    ----------
    distribution : callable
        Distribution function of one addend, reference value already taken off; arrays in, arrays out.
    decision_interval : float
        h, above 0, in the unit of the addends.

    Raises
    ------
    MetrologyError
        If h is not above 0.

    Source: Brook and Evans 1972 (states at multiples of 2h/(2m - 1), the sum rounded to the nearest).

    >>> round(markov_run_length(lambda x: ndtr(x + 0.5), 3.0), 1)
    117.6
    """
    if not decision_interval > 0:
        raise MetrologyError("decision_interval", decision_interval, "a number above 0")
    width = 2.0 * decision_interval / (2.0 * MARKOV_STATES - 1.0)
    number = np.arange(MARKOV_STATES)
    # From state i to state j it is the same step as between any two that are as far apart.
    step: Vector = np.arange(1 - MARKOV_STATES, MARKOV_STATES, dtype=np.float64) * width
    upper = distribution(step + width / 2.0)
    between = upper - distribution(step - width / 2.0)
    transition = between[number[None, :] - number[:, None] + MARKOV_STATES - 1]
    transition[:, 0] = upper[MARKOV_STATES - 1 - number]
    return float(np.linalg.solve(np.eye(MARKOV_STATES) - transition, np.ones(MARKOV_STATES))[0])


def decision_interval(run_length: Callable[[float], float], wanted: float) -> float:
    """The decision interval h at which a chart has the average run length that is wanted.

    Parameters
    ----------
    run_length : callable
        Average run length as a rising function of h.
    wanted : float
        Average run length, observations.

    Raises
    ------
    MetrologyError
        If even h = 0 (nearly) runs longer, or no h below 60 reaches it.

    >>> round(decision_interval(lambda h: two_sided_run_length(0.5, h), 465.444), 3)
    5.0
    """
    from scipy.optimize import brentq  # Slow to load, and needed late: no process need wait for it when it starts.

    shortest = 1e-6
    if not run_length(shortest) <= wanted:
        raise MetrologyError("wanted", wanted, f"an average run length from {run_length(shortest):.3g}")
    longest = 1.0
    while run_length(longest) < wanted:
        longest *= 1.5
        if longest > LONGEST_DECISION_INTERVAL:
            raise MetrologyError("wanted", wanted, "an average run length that some decision interval reaches")
    return float(brentq(lambda h: np.log(run_length(h) / wanted), shortest, longest, xtol=1e-10))


@cache
def _quadrature() -> tuple[Vector, Vector]:
    """Nodes and weights, which are looked for by an iteration."""
    return np.polynomial.legendre.leggauss(QUADRATURE_NODES)


def _check(argument: str, value: float) -> None:
    if not (np.isfinite(value) and value >= 0):
        raise MetrologyError(argument, value, "a finite number from 0")
