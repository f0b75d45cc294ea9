"""Share of perfectly true vehicles that a tape can pass at the first round."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.polynomial.legendre import leggauss
from scipy.special import ndtr

from .assessment import adjustable_corners, adjustable_sides
from .corners import AXLES, CORNERS_OF
from .pooling import CornerRound, pool_corner
from .readings import PRIOR_REPEATABILITY
from .uncertainty import Budget, Instrument, side_difference_budget

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .corners import Axle
    from .specification import Specification

REFERENCE_TAPE = Instrument("reference tape", resolution_mm=1.0, accuracy="II")
READINGS_A_CORNER = 2
_RANGE_IN_SD = 8.0
"""Beyond 8 standard deviations a normal distribution holds less than 2e-15."""
_NODES, _WEIGHTS = leggauss(24)
_INSTRUMENT_PIECES = 8
"""Pieces of the quadrature over the tape's error, so that steep acceptance limits are resolved."""


@dataclass(frozen=True, slots=True)
class _AxleAcceptance:
    """Acceptance limits of one axle's deviations and the standard deviations of their errors, mm."""

    corner_limits_mm: tuple[float, float]
    """Tolerance less U, left and right; inf where the corner has no part in the verdict."""
    side_limit_mm: float
    own_sd_mm: float
    instrument_sd_mm: float


@lru_cache(maxsize=64)
def true_vehicles_passing(specification: Specification) -> float:
    """Probability that a vehicle exactly on target is judged `within` at its first round.

    For a class II tape of resolution 1 mm, prior repeatability and two readings a corner. The errors of the
    four corners are jointly normal: each has its own part, and the tape's error is common to all. Counted are
    the corners and sides that have a part in the vehicle's verdict, for a fully controlled vehicle all four
    corners and both sides.

    Parameters
    ----------
    specification : Specification
        Targets, tolerances, side difference limit and settling half-width, mm.

    Returns
    -------
    float
        Between 0 and 1.

    Notes
    -----
    Given the tape's error the axles are independent, and given the left corner's error so are the limits on
    the right one: two nested one-dimensional integrals, by Gauss-Legendre quadrature on pieces that end at
    the kinks of the integrand. No sampling.

    Source: acceptance by ILAC-G8:09/2019 (w = U); multivariate normal distribution function.

    >>> from calibration.metrology.specification import AxleSpecification, Specification
    >>> axle = AxleSpecification(486, 6, 40, 215, 0.9, 0.15)
    >>> vehicle = Specification(axle, axle, 2885, 1605, 1613, 0, 255, 8, 20, 40, 60, 1.5)
    >>> round(true_vehicles_passing(vehicle), 3)
    0.937
    """
    axles = [_acceptance(axle, specification) for axle in AXLES]
    if any(min(*axle.corner_limits_mm, axle.side_limit_mm) <= 0 for axle in axles):
        return 0.0
    errors, weights = _instrument_quadrature()
    passing = weights.copy()
    for axle in axles:
        passing *= [_axle_passes(axle, float(error) * axle.instrument_sd_mm) for error in errors]
    return min(1.0, float(passing.sum()))


def _acceptance(axle: Axle, specification: Specification) -> _AxleAcceptance:
    budget = _first_round_budget(axle, specification)
    side = side_difference_budget(budget, budget)
    counted = adjustable_corners(specification)
    corner_limit = (specification.front if axle == "front" else specification.rear).tolerance_mm
    corner_limit -= budget.expanded_uncertainty_mm
    side_limit = specification.side_difference_max_mm - side.expanded_uncertainty_mm
    left, right = (corner_limit if corner in counted else math.inf for corner in CORNERS_OF[axle])
    return _AxleAcceptance(
        corner_limits_mm=(left, right),
        side_limit_mm=side_limit if axle in adjustable_sides(specification) else math.inf,
        own_sd_mm=side.standard_uncertainty_mm / math.sqrt(2),
        instrument_sd_mm=budget.standard_uncertainty_of("instrument"),
    )


def _first_round_budget(axle: Axle, specification: Specification) -> Budget:
    target = (specification.front if axle == "front" else specification.rear).target_mm
    first = CornerRound(
        value_mm=target,
        readings=READINGS_A_CORNER,
        estimator="mean",
        repeatability_factor=1.0,
        repeatability=PRIOR_REPEATABILITY,
        resolution_mm=REFERENCE_TAPE.resolution_mm,
        instrument_standard_uncertainty_mm=REFERENCE_TAPE.standard_uncertainty_mm(target),
        one_instrument=True,
    )
    return pool_corner([first], specification.settling_mm).budget


def _axle_passes(axle: _AxleAcceptance, instrument_error_mm: float) -> float:
    """Probability that both corners and the side of an axle are accepted, given the tape's error."""
    left, right = axle.corner_limits_mm
    lower, upper = -right - instrument_error_mm, right - instrument_error_mm
    reach = _RANGE_IN_SD * axle.own_sd_mm
    start, stop = np.clip([-left - instrument_error_mm, left - instrument_error_mm], -reach, reach)
    kinks = [lower + axle.side_limit_mm, upper - axle.side_limit_mm, lower, upper, 0.0]
    edges = sorted({start, stop, *(kink for kink in kinks if start < kink < stop)})
    errors, weights = _pieces(np.array(edges))
    highest = np.minimum(upper, errors + axle.side_limit_mm) / axle.own_sd_mm
    lowest = np.maximum(lower, errors - axle.side_limit_mm) / axle.own_sd_mm
    right_passes = np.maximum(ndtr(highest) - ndtr(lowest), 0.0)
    density = np.exp(-0.5 * (errors / axle.own_sd_mm) ** 2) / (axle.own_sd_mm * math.sqrt(2 * math.pi))
    return float(np.sum(weights * density * right_passes))


def _instrument_quadrature() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Nodes and weights for the mean of a function of a standard normal variable."""
    nodes, weights = _pieces(np.linspace(-_RANGE_IN_SD, _RANGE_IN_SD, _INSTRUMENT_PIECES + 1))
    return nodes, weights * np.exp(-0.5 * nodes**2) / math.sqrt(2 * math.pi)


def _pieces(edges: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Gauss-Legendre nodes and weights on consecutive pieces."""
    half = np.diff(edges)[:, None] / 2
    middle = (edges[:-1, None] + edges[1:, None]) / 2
    return (middle + half * _NODES).ravel(), (half * _WEIGHTS).ravel()
