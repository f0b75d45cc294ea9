"""The exact minimum of a small convex quadratic over whole numbers in a box, with one two-sided linear limit.

Up to four variables. The continuous minimum (every combination of active limits solved at once) and the best
whole-number point found near it leave a gap D; any better whole-number point z satisfies
(z - c)' Q (z - c) <= D, because the gradient at the continuous minimum c makes no feasible direction cheaper.
What lies inside that ellipsoid is then enumerated, so the answer is exact also where limits bind far from the
unconstrained minimum. Own derivation; tested against brute force.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import product

import numpy as np
from numpy.typing import NDArray

from .errors import MetrologyError

Vector = NDArray[np.float64]
Matrix = NDArray[np.float64]

TIE = 1.0e-9
"""Values that differ by less than this, relative to 1 + |value|, count as equal."""
FEASIBLE = 1.0e-9
"""Slack of a limit, in the units of the limit, that rounding error may use up."""


@dataclass(frozen=True, slots=True, eq=False)
class IntegerQuadratic:
    """Minimise z'Qz + c'z over whole z with low <= z <= high and |w'z| <= limit.

    `quadratic` (n, n) symmetric positive definite, `linear` (n,), `low` and `high` (n,) whole numbers with
    low <= 0 <= high (no change is always allowed), `weights` (n,), `limit` >= 0; n from 1 to 4.
    """

    quadratic: Matrix
    linear: Vector
    low: Vector
    high: Vector
    weights: Vector
    limit: float

    def __post_init__(self) -> None:
        if not 1 <= self.linear.size <= 4:
            raise MetrologyError("linear", self.linear.size, "1 to 4 variables")
        if np.any(self.low > 0) or np.any(self.high < 0):
            raise MetrologyError("low, high", (self.low, self.high), "a box that contains 0")
        if self.limit < 0:
            raise MetrologyError("limit", self.limit, "0 or more")
        if np.linalg.eigvalsh(self.quadratic)[0] <= 0:
            raise MetrologyError("quadratic", self.quadratic, "a positive definite matrix")

    def values(self, points: Matrix) -> Vector:
        """The quadratic at each row of `points` (m, n)."""
        return np.einsum("ij,ij->i", points @ self.quadratic + self.linear, points)

    def permitted(self, points: Matrix) -> NDArray[np.bool_]:
        """Which rows of `points` (m, n) lie within every limit."""
        inside = np.all((points >= self.low - FEASIBLE) & (points <= self.high + FEASIBLE), axis=1)
        return inside & (np.abs(points @ self.weights) <= self.limit + FEASIBLE)


def minimise(problem: IntegerQuadratic, movement_weights: Vector) -> NDArray[np.int64]:
    """The minimising whole numbers, shape (n,).

    Ties: the least movement Σ movement_weights·|z|, then the largest |z| at the first variable (the movement stays
    with the corner that comes first), then the larger z.

    >>> problem = IntegerQuadratic(np.eye(2), np.array([-5.0, 3.0]), np.array([-9.0, -9.0]),
    ...                            np.array([9.0, 9.0]), np.array([1.0, 1.0]), 9.0)
    >>> minimise(problem, np.ones(2)).tolist()
    [2, -1]
    """
    centre = continuous_minimum(problem)
    best = problem.values(_neighbours(problem, centre)).min()
    slack = TIE * (1.0 + abs(best))
    gap = best - float(problem.values(centre[None, :])[0]) + slack + FEASIBLE
    candidates = _within_gap(problem, centre, gap)
    values = problem.values(candidates)
    tied = candidates[values <= values.min() + slack]
    return min(tied, key=lambda z: _preference(z, movement_weights)).astype(np.int64)


def _preference(point: Vector, movement_weights: Vector) -> tuple[float, ...]:
    return (float(movement_weights @ np.abs(point)), *(-np.abs(point)), *(-point))


def continuous_minimum(problem: IntegerQuadratic) -> Vector:
    """The minimum without whole numbers, shape (n,): the best stationary point over all sets of active limits."""
    count = problem.linear.size
    states, usable = _active_sets(count)
    systems = np.zeros((len(states), count + 1, count + 1))
    right = np.zeros((len(states), count + 1))
    free = states[:, :count] == 0
    systems[:, :count, :count] = np.where(free[:, :, None], 2.0 * problem.quadratic, np.eye(count))
    systems[:, :count, count] = np.where(free, problem.weights, 0.0)
    bounds = np.where(states[:, :count] < 0, problem.low, problem.high)
    right[:, :count] = np.where(free, -problem.linear, bounds)
    limited = states[:, count] != 0
    systems[:, count, :count] = np.where(limited[:, None], problem.weights, 0.0)
    systems[:, count, count] = np.where(limited, 0.0, 1.0)
    right[:, count] = states[:, count] * problem.limit
    # A limit without a free corner that could reach it has no solution of its own; its system is left out.
    usable = usable & (~limited | (np.where(free, problem.weights, 0.0) ** 2).sum(axis=1).astype(bool))
    points = np.linalg.solve(systems[usable], right[usable][:, :, None])[:, :count, 0]
    feasible = points[problem.permitted(points)]
    found: Vector = feasible[np.argmin(problem.values(feasible))]
    return found


@cache
def _active_sets(count: int) -> tuple[NDArray[np.int8], NDArray[np.bool_]]:
    """Each variable free (0) or at its low (-1) or high (1) end; the linear limit inactive (0) or at an end."""
    states = np.array(list(product((0, -1, 1), repeat=count + 1)), dtype=np.int8)
    return states, (states[:, count] == 0) | np.any(states[:, :count] == 0, axis=1)


def _neighbours(problem: IntegerQuadratic, centre: Vector) -> Matrix:
    """Permitted whole-number points around the continuous minimum, and no change."""
    steps = np.array(list(product((0.0, 1.0), repeat=centre.size)))
    around = np.clip(np.floor(centre) + steps, problem.low, problem.high)
    shrunk = np.trunc(centre)[None, :]
    points = np.vstack([around, shrunk, np.zeros((1, centre.size))])
    return points[problem.permitted(points)]


def _within_gap(problem: IntegerQuadratic, centre: Vector, gap: float) -> Matrix:
    """Every permitted whole-number point that could be as good as the best known one."""
    reach = np.sqrt(gap * np.linalg.inv(problem.quadratic).diagonal())
    low = np.maximum(np.ceil(centre - reach - FEASIBLE), problem.low)
    high = np.minimum(np.floor(centre + reach + FEASIBLE), problem.high)
    axes = [np.arange(first, last + 1.0) for first, last in zip(low, high, strict=True)]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, centre.size)
    return grid[problem.permitted(grid)]
