"""Random planning cases and their brute-force optimum, for the tests of the planner.

The brute force knows only the sum and the limits as the design states them: it enumerates every permitted
whole-number change and evaluates the expectation from its moments.
"""

from __future__ import annotations

from itertools import product
from typing import Any

import numpy as np

from calibration.metrology.corners import CORNERS, Corner
from calibration.metrology.planner import Changes, PlanningCase, RoundUncertainty
from calibration.metrology.response import Counts, JointState
from calibration.metrology.specification import AxleSpecification, Specification

ROUND_UNCERTAINTY = RoundUncertainty(
    (1.33, 1.33, 1.33, 1.33), (0.42, 0.42, 0.42, 0.42), (2.6, 2.6, 2.6, 2.6), (3.4, 3.4)
)
WARP = np.array([1.0, -1.0, -1.0, 1.0]) / 2.0
SAME = 1e-9
CHUNK = 200_000


def random_case(rng: np.random.Generator, *, largest_step: int) -> PlanningCase:
    """Any vehicle: far off or near, step-limited or not, linked, partly controlled, near a band's or shift's end."""
    specification = random_specification(rng, largest_step)
    counts = np.array([_count(specification, corner, rng) for corner in CORNERS], dtype=object)
    for pair in specification.linked_corners:
        counts[CORNERS.index(pair[1])] = counts[CORNERS.index(pair[0])]
    setpoints = _counts(counts)
    shift = int(rng.integers(-specification.shift_limit_counts, specification.shift_limit_counts + 1))
    baseline = _counts([None if count is None else count + shift for count in counts])
    freed = tuple(corner for corner in CORNERS if rng.random() < 0.85)
    freed = tuple(corner for corner in CORNERS if corner in freed or (specification.linked_with(corner) in freed))
    state = _state(specification, setpoints, rng)
    return PlanningCase(specification, state, baseline, freed, ROUND_UNCERTAINTY)


def random_specification(rng: np.random.Generator, largest_step: int) -> Specification:
    """Responses of either sign and of any steepness, all limits drawn."""
    kind = rng.choice(["all", "all", "all", "rear only", "linked"])
    axles = [
        AxleSpecification(
            target_mm=500.0,
            tolerance_mm=float(rng.uniform(4, 10)),
            setpoint_low=-80,
            setpoint_high=80,
            response_mm_per_count=float(rng.choice((-1.0, 1.0)) * rng.uniform(0.4, 2.5)),
            response_sd=0.2,
        )
        for _ in range(2)
    ]
    limits: dict[str, Any] = {
        "controlled_corners": ("RL", "RR") if kind == "rear only" else CORNERS,
        "linked_corners": (("RL", "RR"),) if kind == "linked" else (),
    }
    return Specification(
        front=axles[0],
        rear=axles[1],
        wheelbase_mm=2885,
        track_front_mm=1605,
        track_rear_mm=1613,
        setpoint_min=-90,
        setpoint_max=int(rng.integers(60, 100)),
        side_difference_max_mm=float(rng.uniform(5, 12)),
        step_max_counts=int(rng.integers(1, largest_step + 1)),
        shift_review_counts=20,
        shift_limit_counts=int(rng.integers(20, 80)),
        settling_mm=1.5,
        warp_max_mm=float(rng.uniform(4, 10)),
        warp_change_max_mm=float(rng.choice((2.0, 8.0, 20.0, 60.0))),
        **limits,
    )


def best_by_brute_force(case: PlanningCase) -> tuple[float, Changes]:
    """Smallest expected sum and the changes the tie-break asks for, by trying everything that is permitted."""
    grid = _permitted_grid(case)
    value_of = _expectation(case)
    values = np.concatenate([value_of(part) for part in np.array_split(grid, len(grid) // CHUNK + 1)])
    tied = grid[values <= values.min() + SAME * (1.0 + abs(values.min()))]
    best = min(tied.tolist(), key=lambda z: (sum(map(abs, z)), [-abs(v) for v in z], [-v for v in z]))
    a, b, c, d = best
    return float(values.min()), (a, b, c, d)


def expected_sum(case: PlanningCase, changes: Changes) -> float:
    """The expectation of section 6 for one set of changes, mm divided by limits."""
    return float(_expectation(case)(np.array([changes]))[0])


def _permitted_grid(case: PlanningCase) -> np.ndarray:
    specification = case.specification
    choices = [_permitted_changes(case, corner) for corner in CORNERS]
    grid = np.array(list(product(*choices)), dtype=np.int64)
    for first, second in specification.linked_corners:
        grid = grid[grid[:, CORNERS.index(first)] == grid[:, CORNERS.index(second)]]
    warp = np.abs(grid @ (WARP * case.state.responses))
    return grid[warp <= specification.warp_change_max_mm + SAME]


def _permitted_changes(case: PlanningCase, corner: Corner) -> list[int]:
    """0, and each change that leaves every limit kept."""
    i, specification, axle = CORNERS.index(corner), case.specification, case.specification.axle(corner)
    now, start = case.state.setpoints[i], case.baseline[i]
    if now is None or start is None or corner not in case.freed:
        return [0]

    def permitted(change: int) -> bool:
        after = now + change
        in_range = specification.setpoint_min <= after <= specification.setpoint_max
        in_band = (axle.setpoint_low or 0) <= after <= (axle.setpoint_high or 0)
        return in_range and in_band and abs(after - start) <= specification.shift_limit_counts

    step = specification.step_max_counts
    return [change for change in range(-step, step + 1) if change == 0 or permitted(change)]


def _expectation(case: PlanningCase) -> Any:
    """E of each square from its mean and variance, term by term, for many changes at once."""
    specification, mean, covariance = case.specification, case.state.mean, case.state.covariance
    rows = [(np.eye(4)[i], specification.tolerance_mm(corner)) for i, corner in enumerate(CORNERS)]
    controlled = set(specification.controlled_corners)
    for left in (0, 2):
        pair = {CORNERS[left], CORNERS[left + 1]}
        if pair <= controlled and specification.linked_with(CORNERS[left]) != CORNERS[left + 1]:
            rows.append((np.eye(4)[left] - np.eye(4)[left + 1], specification.side_difference_max_mm))
    if len(controlled) == len(CORNERS):
        rows.append((WARP, specification.warp_max_mm))
    targets = np.array([specification.target_mm(corner) for corner in CORNERS])

    def expectation(changes: np.ndarray) -> np.ndarray:
        total = np.zeros(len(changes))
        for row, limit in rows:
            combined = np.hstack([np.broadcast_to(row, changes.shape), changes * row])
            centre = combined @ mean - row @ targets
            spread = np.einsum("ij,jk,ik->i", combined, covariance, combined)
            total += (centre**2 + spread) / limit**2
        return total

    return expectation


def _state(specification: Specification, setpoints: Counts, rng: np.random.Generator) -> JointState:
    off = rng.uniform(-1, 1, 4) * rng.choice((3.0, 12.0, 60.0))
    heights = np.array([specification.target_mm(corner) for corner in CORNERS]) + off
    responses = np.array([specification.axle(corner).response_mm_per_count or 0.0 for corner in CORNERS])
    responses = responses * rng.uniform(0.6, 1.4, 4)
    root = rng.normal(size=(8, 8)) * np.array([0.5] * 4 + [0.06] * 4)[:, None]
    mean, covariance = np.concatenate([heights, responses]), root @ root.T
    for i, corner in enumerate(CORNERS):
        if corner not in specification.controlled_corners:
            mean[4 + i] = covariance[4 + i, :] = covariance[:, 4 + i] = 0.0
    return JointState(mean, covariance, setpoints)


def _count(specification: Specification, corner: Corner, rng: np.random.Generator) -> int | None:
    """Mostly inside the band, now and then outside it."""
    return int(rng.integers(-85, 86)) if corner in specification.controlled_corners else None


def _counts(values: Any) -> Counts:
    a, b, c, d = values
    return a, b, c, d
