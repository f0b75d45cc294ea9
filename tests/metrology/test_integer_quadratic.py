"""The integer minimiser against brute force, and its continuous stage against SciPy's SLSQP."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from scipy import optimize

from calibration.metrology.errors import MetrologyError
from calibration.metrology.integer_quadratic import IntegerQuadratic, continuous_minimum, minimise, preferred


def random_problem(rng: np.random.Generator, size: int) -> IntegerQuadratic:
    root = rng.normal(size=(size, size))
    low = rng.integers(-6, 3, size).astype(float)
    return IntegerQuadratic(
        quadratic=root @ root.T + 0.05 * np.eye(size),
        linear=rng.normal(0.0, 1.0, size) * rng.choice((1.0, 30.0)),
        low=low,
        high=low + rng.integers(0, 8, size),
        weights=rng.normal(size=size),
        limit=float(rng.choice((0.3, 2.0, 50.0))),
    )


def brute_force(problem: IntegerQuadratic) -> list[float] | None:
    ranges = [range(int(a), int(b) + 1) for a, b in zip(problem.low, problem.high, strict=True)]
    points = np.array(list(product(*ranges)), dtype=float)
    points = points[np.abs(points @ problem.weights) <= problem.limit + 1e-9]
    if not len(points):
        return None
    values = [float(z @ problem.quadratic @ z + problem.linear @ z) for z in points]
    found: list[float] = points[int(np.argmin(values))].tolist()
    return found


@pytest.mark.parametrize("size", [1, 2, 3, 4])
def test_minimum_is_that_of_brute_force(size: int) -> None:
    rng = np.random.default_rng([81, size])
    for _ in range(150):
        problem = random_problem(rng, size)
        best = minimise(problem, np.ones(size))
        assert (None if best is None else best.tolist()) == brute_force(problem)


def test_nothing_permitted_is_told_apart_from_no_change() -> None:
    """The limit leaves no whole number, then nothing at all."""
    narrow = IntegerQuadratic(np.eye(1), np.zeros(1), np.array([1.0]), np.array([2.0]), np.array([1.0]), 0.5)
    between = IntegerQuadratic(
        np.eye(2), np.zeros(2), np.array([1.0, 0.0]), np.array([1.0, 1.0]), np.array([0.5, -0.8]), 0.1
    )
    assert minimise(narrow, np.ones(1)) is None
    assert continuous_minimum(narrow) is None
    assert continuous_minimum(between) is not None
    assert minimise(between, np.ones(2)) is None


@pytest.mark.parametrize("number", range(25))
def test_continuous_minimum_is_that_of_slsqp(number: int) -> None:
    problem = random_problem(np.random.default_rng([82, number]), 4)
    found = continuous_minimum(problem)
    bounds = list(zip(problem.low, problem.high, strict=True))
    both_ways = np.vstack([problem.weights, -problem.weights])
    feasible = optimize.linprog(np.zeros(4), A_ub=both_ways, b_ub=[problem.limit] * 2, bounds=bounds)
    assert (found is not None) == feasible.success
    if found is None:
        return

    def value(z: np.ndarray) -> float:
        return float(z @ problem.quadratic @ z + problem.linear @ z)

    solved = optimize.minimize(
        value,
        np.asarray(feasible.x, dtype=np.float64),
        method="SLSQP",
        bounds=bounds,
        constraints=optimize.LinearConstraint(problem.weights, -problem.limit, problem.limit),
        tol=1e-9,
    )
    assert float(problem.values(found[None, :])[0]) == pytest.approx(solved.fun, rel=1e-5, abs=1e-5)


def test_of_equal_points_the_least_movement_wins_then_the_first_corner() -> None:
    points = np.array([[1.0, 1.0, 0.0], [0.0, 0.0, 1.0], [0.0, 1.0, 0.0], [0.0, -1.0, 0.0]])
    assert preferred(points, np.ones(3)).tolist() == [0.0, 1.0, 0.0]
    assert preferred(points, np.array([1.0, 3.0, 2.0])).tolist() == [0.0, 0.0, 1.0]


def test_a_half_way_optimum_stays_with_less_movement() -> None:
    even = IntegerQuadratic(np.eye(2), np.array([-1.0, -1.0]), np.full(2, -5.0), np.full(2, 5.0), np.ones(2), 99.0)
    best = minimise(even, np.ones(2))
    assert best is not None
    assert best.tolist() == [0, 0]


@pytest.mark.parametrize(
    ("change", "argument"),
    [
        ({"linear": np.zeros(5)}, "linear"),
        ({"low": np.array([3.0, 0.0])}, "low, high"),
        ({"limit": -1.0}, "limit"),
        ({"quadratic": np.zeros((2, 2))}, "quadratic"),
    ],
)
def test_a_problem_that_has_no_single_minimum_is_refused(change: dict[str, object], argument: str) -> None:
    fields: dict[str, object] = {
        "quadratic": np.eye(2),
        "linear": np.zeros(2),
        "low": -np.ones(2),
        "high": np.ones(2),
        "weights": np.ones(2),
        "limit": 1.0,
    }
    IntegerQuadratic(**fields)  # type: ignore[arg-type]
    with pytest.raises(MetrologyError, match=argument):
        IntegerQuadratic(**(fields | change))  # type: ignore[arg-type]
