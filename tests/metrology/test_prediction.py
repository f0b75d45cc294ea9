"""Prediction of changes: the planner's sum, heights and probabilities, against brute force, SciPy and Monte
Carlo.

Sources: mean of a quadratic form (checked term by term and by simulation);
`scipy.stats.multivariate_normal.cdf`.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from calibration.metrology.planner import PlanningCase, predict
from calibration.metrology.planning_case import fresh_round
from calibration.metrology.prediction import (
    COVERAGE_FACTOR,
    deviation_moments,
    probability_in_limits,
    quadratic_in_changes,
    warp_change_mm,
    weight_matrix,
)
from calibration.metrology.response import JointState, move_variance
from tests.metrology.builders import LINKED_REAR, OTHER_TAPE, REAR_ONLY, SPECIFICATION, TAPE, round_off_by
from tests.simulator.planning_cases import ROUND_UNCERTAINTY, expected_sum, random_case

NO_SIDES = (math.inf, math.inf)


def a_case(seed: int = 91) -> PlanningCase:
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(8, 8)) * np.array([0.6] * 4 + [0.06] * 4)[:, None]
    mean = np.array([480.0, 491.0, 500.0, 509.0, 0.9, 0.8, 1.1, 1.0])
    state = JointState(mean, root @ root.T, (100, 100, 100, 100))
    return PlanningCase(SPECIFICATION, state, (100, 100, 100, 100), ("FL", "FR", "RL", "RR"), ROUND_UNCERTAINTY)


@pytest.mark.parametrize("number", range(30))
def test_the_sum_is_the_expectation_term_by_term(number: int) -> None:
    rng = np.random.default_rng([92, number])
    case = random_case(rng, largest_step=20)
    a, b, c, d = (int(x) for x in rng.integers(-20, 21, 4))
    quadratic, linear, constant = quadratic_in_changes(case)
    changes = np.array([a, b, c, d])
    value = changes @ quadratic @ changes + linear @ changes + constant
    assert value == pytest.approx(expected_sum(case, (a, b, c, d)), rel=1e-9)


def test_the_sum_is_the_expectation_by_simulation() -> None:
    case, changes = a_case(), np.array([7, -5, 3, -4])
    rng = np.random.default_rng(93)
    drawn = rng.multivariate_normal(case.state.mean, case.state.covariance, 400_000)
    e = drawn[:, :4] - [486, 486, 504, 504] + drawn[:, 4:] * changes
    front, rear = e[:, 0] - e[:, 1], e[:, 2] - e[:, 3]
    terms = (e / 6) ** 2
    simulated = terms.sum(axis=1) + (front / 8) ** 2 + (rear / 8) ** 2 + ((front - rear) / 2 / 6) ** 2
    quadratic, linear, constant = quadratic_in_changes(case)
    value = changes @ quadratic @ changes + linear @ changes + constant
    assert value == pytest.approx(simulated.mean(), abs=4 * simulated.std() / 400_000**0.5)


def test_sides_and_warp_that_setpoints_cannot_change_are_left_out() -> None:
    rear_only = replace(
        a_case(),
        specification=REAR_ONLY,
        state=replace(a_case().state, setpoints=(None, None, 100, 100)),
        baseline=(None, None, 100, 100),
        freed=("RL", "RR"),
    )
    matrix = weight_matrix(rear_only)
    assert matrix[0, 1] == matrix[0, 2] == 0.0
    assert matrix[2, 3] == pytest.approx(-1 / 64)
    linked = weight_matrix(replace(a_case(), specification=LINKED_REAR))
    assert linked[2, 3] == pytest.approx(-1 / 144)  # warp alone
    assert linked[0, 1] == pytest.approx(-1 / 64 - 1 / 144)


def test_predicted_heights_and_uncertainty_combine_posterior_move_marks_and_tape() -> None:
    case, changes = a_case(), (7, -5, 3, -4)
    found = predict(case, changes)
    state = case.state
    moves = state.responses * np.array(changes)
    variance = (
        state.covariance[0, 0]
        + 2 * 7 * state.covariance[0, 4]
        + 49 * state.covariance[4, 4]
        + move_variance(moves)[0, 0]
        + ROUND_UNCERTAINTY.common_variance_mm2[0]
    )
    assert found.heights_mm == pytest.approx(tuple(state.heights_mm + moves))
    assert found.expanded_uncertainty_mm[0] == pytest.approx(stats.norm.ppf(0.975) * math.sqrt(variance))
    assert found.warp_change_mm == pytest.approx((moves[0] - moves[1] - moves[2] + moves[3]) / 2)
    assert found.warp_change_mm == warp_change_mm(case, changes)


def test_probability_within_is_that_of_simulated_rounds() -> None:
    """Simulated: draw heights and responses, move, measure with the round's own noise, judge with guard band U."""
    case, changes = a_case(), (6, -6, 4, -5)
    rng = np.random.default_rng(94)
    mean, covariance = deviation_moments(case, np.array(changes, dtype=float))
    truth = rng.multivariate_normal(mean, covariance, 300_000)
    measured = truth + rng.normal(size=truth.shape) * np.sqrt(ROUND_UNCERTAINTY.own_variance_mm2)
    within = np.all(np.abs(measured) + 2.6 <= 6, axis=1)
    for left in (0, 2):
        within &= np.abs(measured[:, left] - measured[:, left + 1]) + 3.4 <= 8
    marked = truth + rng.normal(size=truth.shape) * np.sqrt(ROUND_UNCERTAINTY.common_variance_mm2)
    inside = np.all(np.abs(marked) <= 6, axis=1)
    for left in (0, 2):
        inside &= np.abs(marked[:, left] - marked[:, left + 1]) <= 8
    found = predict(case, changes)
    assert found.probability_within == pytest.approx(within.mean(), abs=0.004)
    assert found.probability_truly_within == pytest.approx(inside.mean(), abs=0.004)


@pytest.mark.parametrize("number", range(12))
def test_probability_without_sides_is_scipys(number: int) -> None:
    rng = np.random.default_rng([95, number])
    root = rng.normal(size=(4, 4))
    covariance, mean = root @ root.T + 0.5 * np.eye(4), rng.normal(0.0, 2.0, 4)
    limits = rng.uniform(2.0, 7.0, 4)
    reference = stats.multivariate_normal(mean, covariance).cdf(limits, lower_limit=-limits, rng=rng)
    assert probability_in_limits(mean, covariance, limits, NO_SIDES) == pytest.approx(reference, abs=2e-3)


def test_probability_with_a_side_is_that_of_two_dimensional_integration() -> None:
    """|x1| ≤ 3, |x2| ≤ 3, |x1 - x2| ≤ 2 for independent standard normals, by quadrature over x1."""
    grid = np.linspace(-3.0, 3.0, 20_001)
    upper, lower = np.minimum(grid + 2.0, 3.0), np.maximum(grid - 2.0, -3.0)
    inner = stats.norm.cdf(upper) - stats.norm.cdf(lower)
    reference = np.trapezoid(stats.norm.pdf(grid) * inner, grid)
    free = np.array([3.0, 3.0, math.inf, math.inf])
    found = probability_in_limits(np.zeros(4), np.eye(4), free, (2.0, math.inf))
    assert found == pytest.approx(reference, abs=1e-3)


def test_probability_is_zero_where_the_tape_cannot_decide_and_the_same_each_time() -> None:
    case = replace(a_case(), round_uncertainty=replace(ROUND_UNCERTAINTY, corner_expanded_mm=(6.1, 2.6, 2.6, 2.6)))
    assert predict(case, (6, -6, 4, -5)).probability_within == 0.0
    sides = replace(a_case(), round_uncertainty=replace(ROUND_UNCERTAINTY, side_expanded_mm=(3.4, 9.0)))
    assert predict(sides, (6, -6, 4, -5)).probability_within == 0.0
    assert predict(a_case(), (6, -6, 4, -5)) == predict(a_case(), (6, -6, 4, -5))


def test_uncontrolled_and_excluded_corners_do_not_count_for_the_verdict() -> None:
    case = a_case()
    far = replace(case.state, mean=np.array([440.0, 486, 504, 504, 0.9, 0.9, 1.05, 1.05]))
    hopeless = replace(case, state=far)
    assert predict(hopeless, (0, 0, 0, 0)).probability_within < 1e-6
    excluded = replace(hopeless, not_adjustable=("FL",))
    assert predict(excluded, (0, 0, 0, 0)).probability_within > 0.1


def test_a_fresh_round_is_worth_two_readings_whatever_the_latest_had() -> None:
    two = fresh_round(round_off_by((0, 0, 0, 0)), 1.5)
    six = fresh_round(round_off_by((0, 0, 0, 0), readings=6), 1.5)
    assert six == two
    assert two.own_variance_mm2[0] == pytest.approx(0.5 + 0.75 + 1 / 12)
    assert two.common_variance_mm2[0] == pytest.approx(1 / 3 + 0.5**2 / 3)
    assert two.corner_expanded_mm[0] > COVERAGE_FACTOR * math.sqrt(0.5 + 0.75 + 1 / 12 + 1 / 3 + 1 / 12)


def test_a_fresh_round_with_two_tapes_is_worth_less_where_heights_are_larger() -> None:
    """Class II: 0.5 mm up to a metre, 0.7 mm above; two tapes do not cancel between left and right."""
    tall = round_off_by((0, 0, 0, 0), instruments=(TAPE, OTHER_TAPE))
    tall = replace(tall, readings_mm=((900.0,) * 2, (900.0,) * 2, (1100.0,) * 2, (1100.0,) * 2))
    found = fresh_round(tall, 1.5)
    assert found.common_variance_mm2 == pytest.approx([1 / 3 + e**2 / 3 for e in (0.5, 0.5, 0.7, 0.7)])
    assert found.corner_expanded_mm[0] == found.corner_expanded_mm[1] < found.corner_expanded_mm[2]
    assert found.side_expanded_mm[0] < found.side_expanded_mm[1]
