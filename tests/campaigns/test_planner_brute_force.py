"""The planner's whole-number optimum against brute force over random vehicles.

Far-off and step-limited ones, linked axles, rear-only vehicles, set-points outside their band and near their
shift limit are among them. Source: enumeration of every permitted change (tests/simulator/planning_cases.py).

LEVELBOOK_PLANNER_CASES=10000 asks for that many; the suite by itself for fewer.
"""

from __future__ import annotations

import os

import numpy as np

from calibration.metrology.corners import CORNERS
from calibration.metrology.planner import PlanningCase, optimal_changes
from calibration.metrology.planning_case import Changes
from tests.simulator.planning_cases import best_by_brute_force, random_case

SMALL_STEPS, LARGE_STEPS = int(os.environ.get("LEVELBOOK_PLANNER_CASES", "2500")), 40


def is_far_off_and_step_limited(case: PlanningCase, changes: Changes) -> bool:
    """Some corner stands at its step limit, more than three further such steps away from its target."""
    step = case.specification.step_max_counts
    reach = 3 * step * np.abs(case.state.responses)
    return any(abs(changes[i]) == step and abs(case.deviations_mm[i]) > reach[i] for i in range(len(CORNERS)))


def test_small_boxes_far_off_and_near() -> None:
    rng = np.random.default_rng(20260101)
    far_off = 0
    for number in range(SMALL_STEPS):
        case = random_case(rng, largest_step=4)
        changes = optimal_changes(case)
        assert changes == best_by_brute_force(case)[1], f"case {number}"
        far_off += is_far_off_and_step_limited(case, changes)
    assert far_off > SMALL_STEPS / 10


def test_large_boxes() -> None:
    rng = np.random.default_rng(20260102)
    for number in range(LARGE_STEPS):
        case = random_case(rng, largest_step=14)
        assert optimal_changes(case) == best_by_brute_force(case)[1], f"case {number}"
