"""What set-point changes are expected to do to heights, verdict and the planner's sum.

All functions work on the joint posterior of `response.JointState`; deviations d in mm, responses g in mm per
count.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.special import ndtr, ndtri

from .corners import AXLES, CORNERS
from .planning_case import Changes, Four, PlanningCase, Prediction
from .response import SIDE_SIGNS, WARP_SIGNS, Matrix, Vector, move_variance

COVERAGE_FACTOR = float(ndtri(0.975))
"""Two-sided 95 % of the normal distribution: the posterior is normal."""
LATTICE_POINTS = 1024


def weight_matrix(case: PlanningCase) -> Matrix:
    """Matrix M of the planner's sum e'Me over deviations e (4, 4), per mm².

    Corners, sides and warp, each divided by its limit. A side that set-points cannot change is left out, and
    warp where an axle is not wholly controlled.
    """
    specification = case.specification
    matrix = np.diag([1.0 / specification.tolerance_mm(corner) ** 2 for corner in CORNERS])
    for axle in case.adjustable_sides:
        matrix += np.outer(SIDE_SIGNS[axle], SIDE_SIGNS[axle]) / specification.side_difference_max_mm**2
    if len(specification.controlled_corners) == len(CORNERS):
        matrix += np.outer(WARP_SIGNS, WARP_SIGNS) / (2.0 * specification.warp_max_mm) ** 2
    return matrix


def quadratic_in_changes(case: PlanningCase) -> tuple[Matrix, Vector, float]:
    """The expectation of section 6 as Δ'QΔ + c'Δ + k: returns Q (4, 4), c (4,), k.

    With e = d + g∘Δ, E[e'Me] = ē'Mē + tr(M Cov e) (mean of a quadratic form, textbook result),
    whose Δ terms are Q = M∘(ḡḡ' + Cov g) and c = 2ḡ∘(M d̄) + 2 diag(M Cov(d, g)).
    """
    weights, state = weight_matrix(case), case.state
    responses, deviations = state.responses, case.deviations_mm
    quadratic = weights * (np.outer(responses, responses) + state.response_covariance)
    cross = np.einsum("ij,ji->i", weights, state.height_response_covariance)
    linear = 2.0 * (responses * (weights @ deviations) + cross)
    constant = deviations @ weights @ deviations + np.sum(weights * state.height_covariance)
    return quadratic, linear, float(constant)


def warp_change_mm(case: PlanningCase, changes: Changes) -> float:
    """Expected change of warp: half of front left-minus-right less rear left-minus-right, mm."""
    return float(WARP_SIGNS @ (case.state.responses * np.array(changes))) / 2.0


def predict(case: PlanningCase, changes: Changes) -> Prediction:
    """Heights, their expanded uncertainty and the chance of a `within` verdict after any changes.

    Also for changes a person entered. Uncertainty of heights: posterior of height and response, what a move
    adds (`response.move_variance`), and marks and instrument, which the filter leaves out.
    """
    counts = np.array(changes, dtype=np.float64)
    mean, covariance = deviation_moments(case, counts)
    common = np.array(case.round_uncertainty.common_variance_mm2)
    heights = mean + (case.state.heights_mm - case.deviations_mm)
    expanded = COVERAGE_FACTOR * np.sqrt(covariance.diagonal() + common)
    own = np.diag(case.round_uncertainty.own_variance_mm2)
    return Prediction(
        changes=changes,
        heights_mm=_four(heights),
        expanded_uncertainty_mm=_four(expanded),
        probability_within=_probability(case, mean, covariance + own, _judged_limits(case)),
        probability_truly_within=_probability(case, mean, covariance + np.diag(common), _true_limits(case)),
        warp_change_mm=warp_change_mm(case, changes),
    )


def deviation_moments(case: PlanningCase, counts: Vector) -> tuple[Vector, Matrix]:
    """Mean (4,) and covariance (4, 4) of the deviations after changes of `counts` (4,)."""
    state = case.state
    mapping = np.hstack([np.eye(4), np.diag(counts)])
    mean = case.deviations_mm + state.responses * counts
    return mean, mapping @ state.covariance @ mapping.T + move_variance(state.responses * counts)


def probability_in_limits(
    mean: Vector, covariance: Matrix, corner_limits: Vector, side_limits: tuple[float, float]
) -> float:
    """P(|x_i| ≤ corner limit, |left − right| ≤ side limit) for x normal with that mean (4,) and covariance (4, 4).

    A limit of inf is none; one below 0 cannot be met. Sequential conditioning (Genz 1992, J. Comput. Graph.
    Stat. 1, 141, cited from memory): given the left corner, the side limit is an interval for the right one. The
    three-dimensional integral that is left is taken on a fixed Richtmyer lattice, so the same question always
    has the same answer; error about 1e-3.

    >>> no_sides = (np.inf, np.inf)
    >>> round(probability_in_limits(np.zeros(4), np.eye(4), np.full(4, 1.959964), no_sides), 3)
    0.815
    """
    if corner_limits.min() < 0 or min(side_limits) < 0:
        return 0.0
    factor = np.linalg.cholesky(covariance)
    draws, values = np.zeros((LATTICE_POINTS, 4)), np.zeros((LATTICE_POINTS, 4))
    chance = np.ones(LATTICE_POINTS)
    for i in range(4):
        centre = mean[i] + draws[:, :i] @ factor[i, :i]
        low, high = np.full_like(chance, -corner_limits[i]), np.full_like(chance, corner_limits[i])
        if i % 2:
            low = np.maximum(low, values[:, i - 1] - side_limits[i // 2])
            high = np.minimum(high, values[:, i - 1] + side_limits[i // 2])
        below = ndtr((low - centre) / factor[i, i])
        width = np.maximum(ndtr((high - centre) / factor[i, i]) - below, 0.0)
        chance *= width
        if i < 3:
            uniform = np.clip(below + _LATTICE[:, i] * width, 1e-300, 1.0 - 1e-16)
            draws[:, i] = ndtri(uniform)
            values[:, i] = centre + factor[i, i] * draws[:, i]
    return float(chance.mean())


def _lattice() -> Matrix:
    """Richtmyer lattice in three dimensions, folded so that it acts on a periodic function."""
    steps = np.arange(1, LATTICE_POINTS + 1)[:, None] * np.sqrt([2.0, 3.0, 5.0])
    folded: Matrix = np.abs(2.0 * np.mod(steps + 0.5, 1.0) - 1.0)
    return folded


_LATTICE = _lattice()


def _probability(
    case: PlanningCase, mean: Vector, covariance: Matrix, limits: tuple[Vector, tuple[float, float]]
) -> float:
    corner_limits, sides = limits
    judged = np.array([corner in case.adjustable_corners for corner in CORNERS])
    front, rear = (
        limit if axle in case.adjustable_sides else math.inf for axle, limit in zip(AXLES, sides, strict=True)
    )
    return probability_in_limits(mean, covariance, np.where(judged, corner_limits, math.inf), (front, rear))


def _judged_limits(case: PlanningCase) -> tuple[Vector, tuple[float, float]]:
    """How far a measured deviation and side difference may reach to be judged within."""
    uncertainty = case.round_uncertainty
    corners, sides = _true_limits(case)
    front, rear = (side - u for side, u in zip(sides, uncertainty.side_expanded_mm, strict=True))
    return corners - np.array(uncertainty.corner_expanded_mm), (front, rear)


def _true_limits(case: PlanningCase) -> tuple[Vector, tuple[float, float]]:
    tolerances = np.array([case.specification.tolerance_mm(corner) for corner in CORNERS])
    side = case.specification.side_difference_max_mm
    return tolerances, (side, side)


def _four(values: Vector) -> Four:
    a, b, c, d = (float(value) for value in values)
    return a, b, c, d
