"""Charts on a corner's standardised innovations: a two-sided cumulative sum for steps, one of squares for scatter.

Their constants are not chosen but computed: from how many vehicle-years there may be to one false signal, over all
corners of the vehicle and both directions. Sources: ISO 7870-4; for the sum of squares Hawkins and Olwell, Cumulative
Sum Charts, 1998, section 4.2 (reference value between two variances; from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from .errors import MetrologyError
from .run_length import Distribution, decision_interval, markov_run_length, two_sided_run_length

Vector = NDArray[np.float64]

CORNERS_PER_VEHICLE = 4
CHECKS_PER_YEAR = 6.0
VEHICLE_YEARS_PER_FALSE_STEP = 250.0
VEHICLE_YEARS_PER_FALSE_SCATTER = 1000.0
STEP_REFERENCE_VALUE = 1.4
"""In standard deviations; less than half of an 8 mm step, of which the filter follows a part before the next check."""
SCATTER_RATIO = 2.0
"""The standard deviation to be found, in those that the measurements' uncertainty explains."""
SQUARE_CLIP = 9.0
"""A square counts at most this much: one step or slip is not scatter."""


@dataclass(frozen=True, slots=True)
class ChartRules:
    """Reference values and decision intervals: of steps in standard deviations, of scatter in variances."""

    step_reference: float
    step_interval: float
    scatter_reference: float
    scatter_interval: float


@cache
def chart_rules(
    step_reference: float = STEP_REFERENCE_VALUE,
    vehicle_years_per_false_step: float = VEHICLE_YEARS_PER_FALSE_STEP,
    vehicle_years_per_false_scatter: float = VEHICLE_YEARS_PER_FALSE_SCATTER,
    checks_per_year: float = CHECKS_PER_YEAR,
) -> ChartRules:
    """The charts' constants for an average run length in vehicle-years over all four corners.

    A vehicle-year is `checks_per_year` times four observations.

    Raises
    ------
    MetrologyError
        If an argument is not a finite number above 0, or no decision interval gives that run length.

    Source: ISO 7870-4, by the integral equation and the Markov chain of `run_length`.

    >>> rules = chart_rules(0.5, vehicle_years_per_false_step=465.444 / 24)
    >>> round(rules.step_interval, 3)
    5.0
    """
    given = {
        "step_reference": step_reference,
        "vehicle_years_per_false_step": vehicle_years_per_false_step,
        "vehicle_years_per_false_scatter": vehicle_years_per_false_scatter,
        "checks_per_year": checks_per_year,
    }
    for name, value in given.items():
        if not (math.isfinite(value) and value > 0):
            raise MetrologyError(name, value, "a finite number above 0")
    observations = checks_per_year * CORNERS_PER_VEHICLE
    scatter = scatter_reference_value(SCATTER_RATIO)
    squares = clipped_square_distribution(scatter)
    return ChartRules(
        step_reference,
        decision_interval(
            lambda h: two_sided_run_length(step_reference, h), vehicle_years_per_false_step * observations
        ),
        scatter,
        decision_interval(lambda h: markov_run_length(squares, h), vehicle_years_per_false_scatter * observations),
    )


def scatter_reference_value(ratio: float) -> float:
    """Reference value of the sum of squares that tells a standard deviation of `ratio` from one of 1 soonest.

    `k = 2·ln(ratio)·ratio²/(ratio² - 1)`, from the ratio of the two normal likelihoods.

    Raises
    ------
    MetrologyError
        If the ratio is not above 1.

    Source: Wald's likelihood ratio; Hawkins and Olwell 1998, section 4.2 (from memory).

    >>> round(scatter_reference_value(2.0), 4)
    1.8484
    """
    if not ratio > 1:
        raise MetrologyError("ratio", ratio, "a number above 1")
    return 2.0 * math.log(ratio) * ratio**2 / (ratio**2 - 1.0)


def clipped_square_distribution(reference_value: float) -> Distribution:
    """Distribution function of min(z², 9) - k for standard normal z.

    >>> clipped_square_distribution(1.0)(np.array([-1.0, 0.0, 8.0])).round(4).tolist()
    [0.0, 0.6827, 1.0]
    """

    def distribution(value: Vector) -> Vector:
        square = value + reference_value
        share = 1.0 - 2.0 * ndtr(-np.sqrt(np.maximum(square, 0.0)))
        return np.where(square >= SQUARE_CLIP, 1.0, share)

    return distribution


def next_sums(high: Vector, low: Vector, innovation: Vector, reference_value: float) -> tuple[Vector, Vector]:
    """Upper and lower sum after one more observation: max(0, S₊ + z - k), max(0, S₋ - z - k); any shape.

    Source: ISO 7870-4; checked against the chart of the NIST/SEMATECH e-Handbook, 6.3.2.3.

    >>> high, low = next_sums(np.array([1.0]), np.array([1.0]), np.array([2.0]), 0.5)
    >>> high.tolist(), low.tolist()
    ([2.5], [0.0])
    """
    return np.maximum(0.0, high + innovation - reference_value), np.maximum(0.0, low - innovation - reference_value)


def next_scatter(scatter: Vector, innovation: Vector, reference_value: float) -> Vector:
    """The sum of squares after one more observation: max(0, V + min(z², 9) - k); any shape.

    Source: Hawkins and Olwell 1998, section 4.2 (from memory), with squares clipped.

    >>> next_scatter(np.array([0.0, 1.0]), np.array([10.0, 0.0]), 2.0).tolist()
    [7.0, 0.0]
    """
    return np.maximum(0.0, scatter + np.minimum(innovation**2, SQUARE_CLIP) - reference_value)
