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

    `quadratic` (n, n) symmetric positive definite, `linear` (n,), `low` <= `high` (n,) whole numbers,
    `weights` (n,),
    `limit` >= 0; n from 1 to 4. Nothing may be permitted at all.
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
        if np.any(self.low > self.high):
            raise MetrologyError("low, high", (self.low, self.high), "low at most high")
        if self.limit < 0:
            raise MetrologyError("limit", self.limit, "0 or more")
        if np.linalg.eigvalsh(self.quadratic)[0] <= 0:
            raise MetrologyError("quadratic", self.quadratic, "a positive definite matrix")

    def values(self, points: Matrix) -> Vector:
        """The quadratic at each row of `points` (m, n)."""
        values: Vector = np.einsum("ij,ij->i", points @ self.quadratic + self.linear, points)
        return values

    def permitted(self, points: Matrix) -> NDArray[np.bool_]:
        """Which rows of `points` (m, n) lie within every limit."""
        inside = np.all((points >= self.low - FEASIBLE) & (points <= self.high + FEASIBLE), axis=1)
        allowed: NDArray[np.bool_] = inside & (np.abs(points @ self.weights) <= self.limit + FEASIBLE)
        return allowed


def minimise(problem: IntegerQuadratic, movement_weights: Vector) -> NDArray[np.int64] | None:
    """The minimising whole numbers, shape (n,); None when no whole-number point is permitted.

    Ties: see `preferred`.

    >>> problem = IntegerQuadratic(np.eye(2), np.array([-5.0, 3.0]), np.array([-9.0, -9.0]),
    ...                            np.array([9.0, 9.0]), np.array([1.0, 1.0]), 9.0)
    >>> minimise(problem, np.ones(2)).tolist()
    [2, -1]
    """
    centre = continuous_minimum(problem)
    if centre is None:
        return None
    candidates = _candidates(problem, centre)
    if not len(candidates):
        return None
    values = problem.values(candidates)
    tied = candidates[values <= values.min() + tie_width(float(values.min()))]
    return preferred(tied, movement_weights).astype(np.int64)


def tie_width(value: float) -> float:
    """How far above `value` still counts as equal to it."""
    return TIE * (1.0 + abs(value))


def preferred(points: Matrix, movement_weights: Vector) -> Vector:
    """Of equally good points (m, n) the one with the least movement Σ movement_weights·|z|.

    Then the one with the largest |z| at the first variable that differs (the movement stays with the corner that
    comes first), then the larger z there.

    >>> preferred(np.array([[0.0, 1.0], [-1.0, 0.0], [1.0, 0.0]]), np.ones(2)).tolist()
    [1.0, 0.0]
    """

    def preference(point: Vector) -> tuple[float, ...]:
        return (float(movement_weights @ np.abs(point)), *(-np.abs(point)), *(-point))

    return min(points, key=preference)


def continuous_minimum(problem: IntegerQuadratic) -> Vector | None:
    """The minimum without whole numbers, shape (n,): the best stationary point over all sets of active
    limits.

    None when the limits leave nothing.
    """
    states = _active_sets(problem.linear.size)
    free = states[:, :-1] == 0
    # A limit without a free variable that could reach it gives a singular system and no point of its own.
    reached = (np.where(free, problem.weights, 0.0) ** 2).sum(axis=1) > 0
    usable = (states[:, -1] == 0) | reached
    systems, right = _stationary_systems(problem, states[usable])
    points: Matrix = np.linalg.solve(systems, right[:, :, None])[:, :-1, 0].astype(np.float64)
    feasible = points[problem.permitted(points)]
    if not len(feasible):
        return None
    found: Vector = feasible[np.argmin(problem.values(feasible))]
    return found


@cache
def _active_sets(count: int) -> NDArray[np.int8]:
    """Each variable free (0) or at its low (-1) or high (1) end; last the linear limit, inactive (0) or at an end."""
    return np.array(list(product((0, -1, 1), repeat=count + 1)), dtype=np.int8)


def _stationary_systems(problem: IntegerQuadratic, states: NDArray[np.int8]) -> tuple[Matrix, Matrix]:
    """One linear system per active set: gradient 0 in the free variables, the others at their ends, the multiplier."""
    count = problem.linear.size
    free, limit_state = states[:, :count] == 0, states[:, count]
    systems, right = np.zeros((len(states), count + 1, count + 1)), np.zeros((len(states), count + 1))
    systems[:, :count, :count] = np.where(free[:, :, None], 2.0 * problem.quadratic, np.eye(count))
    systems[:, :count, count] = np.where(free, problem.weights, 0.0)
    right[:, :count] = np.where(states[:, :count] < 0, problem.low, problem.high)
    right[:, :count] = np.where(free, -problem.linear, right[:, :count])
    systems[:, count, :count] = np.where(limit_state[:, None] != 0, problem.weights, 0.0)
    systems[:, count, count] = limit_state == 0
    right[:, count] = limit_state * problem.limit
    return systems, right


def _candidates(problem: IntegerQuadratic, centre: Vector) -> Matrix:
    """Every permitted whole-number point that could be the best; empty when there is none."""
    known = _neighbours(problem, centre)
    gap = np.inf
    if len(known):
        best = float(problem.values(known).min())
        gap = best - float(problem.values(centre[None, :])[0]) + tie_width(best) + FEASIBLE
    return _within_gap(problem, centre, gap)


def _neighbours(problem: IntegerQuadratic, centre: Vector) -> Matrix:
    """Permitted whole-number points around the continuous minimum."""
    steps = np.array(list(product((0.0, 1.0), repeat=centre.size)))
    around = np.clip(np.floor(centre) + steps, problem.low, problem.high)
    points = np.vstack([around, np.clip(np.zeros((1, centre.size)), problem.low, problem.high)])
    return points[problem.permitted(points)]


def _within_gap(problem: IntegerQuadratic, centre: Vector, gap: float) -> Matrix:
    """Permitted whole-number points z with (z - centre)' Q (z - centre) <= gap, found one variable at a time.

    The partial sums of |L'(z - centre)|² with Q = LL' only grow as variables are added from the last to the first.
    """
    upper = np.linalg.cholesky(problem.quadratic).T
    reach = np.sqrt(gap * np.linalg.inv(problem.quadratic).diagonal())
    points, spent = np.zeros((1, 0)), np.zeros(1)
    for i in reversed(range(centre.size)):
        low = max(np.ceil(centre[i] - reach[i] - FEASIBLE), problem.low[i])
        high = min(np.floor(centre[i] + reach[i] + FEASIBLE), problem.high[i])
        choices = np.arange(low, high + 1.0)
        grown = np.column_stack([np.tile(choices, len(points)), np.repeat(points, len(choices), axis=0)])
        spent = np.repeat(spent, len(choices)) + ((grown - centre[i:]) @ upper[i, i:]) ** 2
        points, spent = grown[spent <= gap + FEASIBLE], spent[spent <= gap + FEASIBLE]
    return points[problem.permitted(points)]
