"""Share of perfectly true vehicles that pass, against seeded Monte Carlo and SciPy's normal distribution."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from calibration.metrology.assessment import adjustable_corners, adjustable_sides, assess
from calibration.metrology.corners import CORNERS_OF
from calibration.metrology.passing import true_vehicles_passing
from calibration.metrology.pooling import RoundMeasurement
from calibration.metrology.readings import PRIOR_REPEATABILITY
from tests.metrology.builders import (
    LINKED_REAR,
    REAR_ONLY,
    SPECIFICATION,
    TAPE,
    TARGETS_MM,
    with_tolerance,
)

if TYPE_CHECKING:
    from calibration.metrology.specification import Specification

DRAWS = 400_000
TALL = replace(
    with_tolerance(4.0),
    front=replace(SPECIFICATION.front, target_mm=990.0, tolerance_mm=4.0),
    rear=replace(SPECIFICATION.rear, target_mm=1010.0, tolerance_mm=5.0),
)
CASES = {
    "ordinary": SPECIFICATION,
    "narrow tolerance": with_tolerance(4.0),
    "narrow sides": replace(SPECIFICATION, side_difference_max_mm=5.0),
    "sides that cannot matter": replace(SPECIFICATION, side_difference_max_mm=50.0),
    "corners that cannot matter": with_tolerance(50.0, side_difference_max_mm=6.0),
    "rear only": REAR_ONLY,
    "linked rear": LINKED_REAR,
    "one corner uncontrolled": replace(SPECIFICATION, controlled_corners=("FL", "RL", "RR")),
    "other corner uncontrolled": replace(SPECIFICATION, controlled_corners=("FR", "RL", "RR")),
    "unsteady settling": replace(SPECIFICATION, settling_mm=3.0),
    "heights on both sides of a metre": TALL,
}


def first_round(specification: Specification) -> RoundMeasurement:
    heights = (specification.front.target_mm,) * 2 + (specification.rear.target_mm,) * 2
    return RoundMeasurement(tuple((height, height) for height in heights), PRIOR_REPEATABILITY, (TAPE,))


def share_by_monte_carlo(specification: Specification) -> float:
    """Errors drawn component by component; acceptance limits from an assessed true vehicle."""
    generator = np.random.default_rng(7)
    assessment = assess([first_round(specification)], specification)
    common = generator.standard_normal(DRAWS)
    errors = {}
    for corner in assessment.corners:
        tape = corner.budget.standard_uncertainty_of("instrument")
        error = tape * common
        for part in corner.budget.components[:-1]:
            error = error + part.standard_uncertainty_mm * generator.standard_normal(DRAWS)
        errors[corner.corner] = error
    passing = np.ones(DRAWS, dtype=bool)
    for name in adjustable_corners(specification):
        judged = assessment.corner(name)
        passing &= np.abs(errors[name]) + judged.expanded_uncertainty_mm <= judged.tolerance_mm
    for axle in adjustable_sides(specification):
        left, right = CORNERS_OF[axle]
        side = assessment.side(axle)
        passing &= np.abs(errors[left] - errors[right]) + side.expanded_uncertainty_mm <= side.limit_mm
    return float(passing.mean())


@pytest.mark.parametrize("specification", CASES.values(), ids=CASES.keys())
def test_agrees_with_monte_carlo(specification: Specification) -> None:
    share = true_vehicles_passing(specification)
    error = math.sqrt(max(share * (1 - share), 1e-6) / DRAWS)
    assert share == pytest.approx(share_by_monte_carlo(specification), abs=4 * error)


def test_without_side_limits_is_scipys_multivariate_normal_probability() -> None:
    specification = with_tolerance(5.0, side_difference_max_mm=500.0)
    assessment = assess([first_round(specification)], specification)
    tape = assessment.corner("FL").budget.standard_uncertainty_of("instrument")
    variance = assessment.corner("FL").standard_uncertainty_mm ** 2
    covariance = np.full((4, 4), tape**2) + np.eye(4) * (variance - tape**2)
    limit = np.array([corner.tolerance_mm - corner.expanded_uncertainty_mm for corner in assessment.corners])
    expected = multivariate_normal(cov=covariance, seed=3).cdf(limit, lower_limit=-limit)
    assert true_vehicles_passing(specification) == pytest.approx(float(expected), abs=2e-5)


def test_agrees_with_measuring_and_assessing_true_vehicles() -> None:
    # Readings drawn as the budget describes them (rectangular where it says so) and judged by `assess`.
    generator = np.random.default_rng(11)
    vehicles = 4000
    passed = 0
    targets = np.array(TARGETS_MM)
    for _ in range(vehicles):
        corner = generator.uniform(-1.5, 1.5, 4) + generator.uniform(-1, 1, 4) + generator.uniform(-0.5, 0.5, 4)
        held = targets + corner + generator.uniform(-0.5, 0.5)
        readings = held[:, None] + generator.normal(0, 1.0, (4, 2))
        measured = RoundMeasurement(
            tuple((float(first), float(second)) for first, second in readings), PRIOR_REPEATABILITY, (TAPE,)
        )
        passed += assess([measured], SPECIFICATION).verdict == "within"
    assert passed / vehicles == pytest.approx(true_vehicles_passing(SPECIFICATION), abs=0.02)


def test_is_nought_where_even_a_perfect_reading_cannot_pass() -> None:
    assert true_vehicles_passing(with_tolerance(2.5)) == 0.0
    assert true_vehicles_passing(replace(SPECIFICATION, side_difference_max_mm=3.0)) == 0.0


def test_is_certain_where_nothing_can_be_adjusted_or_every_limit_is_wide() -> None:
    assert true_vehicles_passing(replace(SPECIFICATION, controlled_corners=())) == pytest.approx(1.0)
    assert true_vehicles_passing(with_tolerance(100.0, side_difference_max_mm=100.0)) == pytest.approx(1.0)


def test_grows_with_the_tolerance_and_never_leaves_nought_to_one() -> None:
    shares = [true_vehicles_passing(with_tolerance(tolerance)) for tolerance in (3, 4, 5, 6, 8, 12, 40)]
    assert shares == sorted(shares)
    assert 0 <= shares[0] < shares[-1] <= 1


def test_is_the_same_every_time_and_left_right_alike() -> None:
    assert true_vehicles_passing(SPECIFICATION) == true_vehicles_passing(SPECIFICATION)
    left = true_vehicles_passing(CASES["one corner uncontrolled"])
    assert left == pytest.approx(true_vehicles_passing(CASES["other corner uncontrolled"]), abs=1e-9)
