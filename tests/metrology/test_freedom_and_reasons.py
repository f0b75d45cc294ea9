"""What frees a corner, and why a corner moves or stands: against arithmetic that is written here anew."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from statistics import NormalDist

import numpy as np
import pytest

from calibration.metrology import planner
from calibration.metrology.corners import CORNERS, Corner
from calibration.metrology.limits import check_limits
from calibration.metrology.planner import PlanningCase
from calibration.metrology.planning_case import Changes, LimitCheck, RoundUncertainty
from tests.metrology.builders import LINKED_REAR, REAR_ONLY, SPECIFICATION
from tests.metrology.test_planner import case_off_by
from tests.simulator.planning_cases import random_case

PAIRS = {"FL": ("FL", "FR"), "FR": ("FL", "FR"), "RL": ("RL", "RR"), "RR": ("RL", "RR")}
SIGN_OF_WARP = {"FL": 1, "FR": -1, "RL": -1, "RR": 1}
COMMON_MM2 = (0.75, 1.75, 0.0, 3.0)
HEIGHT_MM2 = (0.25, 2.25, 4.0, 6.0)
FACTOR = NormalDist().inv_cdf(0.975)
EXPANDED_MM = {"FL": FACTOR, "FR": 2.0 * FACTOR, "RL": 2.0 * FACTOR, "RR": 3.0 * FACTOR}
"""The factor of 95 % times the square root of both together: 1, 4, 4 and 9 mm²."""


# What frees a corner


def case_of_known_uncertainty(**fields: object) -> PlanningCase:
    case = case_off_by((-12.0, 5.0, -7.0, 9.0), **fields)  # type: ignore[arg-type]
    worth = RoundUncertainty((1.0,) * 4, COMMON_MM2, (2.0,) * 4, (3.0, 3.0))
    covariance = case.state.covariance.copy()
    covariance[:4, :4] = np.diag(HEIGHT_MM2) + 0.1 * (1.0 - np.eye(4))
    return replace(case, state=replace(case.state, covariance=covariance), round_uncertainty=worth)


def checks_of(case: PlanningCase, changes: Changes, code: str) -> dict[str | None, LimitCheck]:
    return {each.corner: each for each in check_limits(case, changes, kind="entered") if each.code == code}


def test_a_corner_is_compared_with_the_expanded_uncertainty_of_its_height_and_of_what_all_rounds_share() -> None:
    found = checks_of(case_of_known_uncertainty(), (3, -2, 4, -5), "not_significant")
    assert {corner: each.limit for corner, each in found.items()} == pytest.approx(EXPANDED_MM)
    shown = {corner: each.value for corner, each in found.items()}
    assert shown == pytest.approx({"FL": 12.0, "FR": 5.0, "RL": 7.0, "RR": 9.0}, abs=0.5)


def test_only_what_is_not_freed_needs_a_review() -> None:
    found = checks_of(case_of_known_uncertainty(freed=("FL", "RR")), (3, -2, 4, -5), "not_significant")
    assert {corner: each.outcome for corner, each in found.items()} == {
        "FL": "pass",
        "FR": "review",
        "RL": "review",
        "RR": "pass",
    }


def test_a_suspect_corner_is_refused_any_count() -> None:
    found = checks_of(case_of_known_uncertainty(suspect=("FR", "RL")), (3, -2, 4, 0), "suspect_corner")
    assert {c: (each.outcome, each.value, each.limit) for c, each in found.items()} == {
        "FR": ("refuse", 2, 0),
        "RL": ("refuse", 4, 0),
    }


# What a corner moves for


def shares(case: PlanningCase, deviations_mm: np.ndarray, corner: Corner) -> dict[str, float]:
    """What the sum holds of side difference and warp at these deviations, from its definition."""
    of = dict(zip(CORNERS, deviations_mm, strict=True))
    left, right = PAIRS[corner]
    axle = "front" if corner in ("FL", "FR") else "rear"
    found = {}
    if axle in case.adjustable_sides:
        found["moves_for_side_difference"] = ((of[left] - of[right]) / case.specification.side_difference_max_mm) ** 2
    if len(case.specification.controlled_corners) == 4:
        warp_mm = (of["FL"] - of["FR"] - of["RL"] + of["RR"]) / 2.0
        found["moves_for_warp"] = (warp_mm / case.specification.warp_max_mm) ** 2
    return found


@pytest.mark.parametrize("specification", [SPECIFICATION, LINKED_REAR, REAR_ONLY])
def test_shared_terms_are_side_difference_and_warp(specification: object) -> None:
    rng = np.random.default_rng(92)
    narrow = replace(specification, side_difference_max_mm=5.0, warp_max_mm=7.0)  # type: ignore[type-var]
    front = 100 if specification is not REAR_ONLY else None
    case = case_off_by(
        (-12.0, 5.0, -7.0, 9.0),
        narrow,  # type: ignore[arg-type]
        freed=narrow.controlled_corners,  # type: ignore[attr-defined]
        setpoints=(front, front, 100, 100),
    )
    for corner in narrow.controlled_corners:  # type: ignore[attr-defined]
        for _ in range(20):
            deviations = rng.normal(0.0, 8.0, 4)
            terms = {code: float(row @ deviations) ** 2 for code, row in planner._shared_terms(case, corner)}
            assert terms == pytest.approx(shares(case, deviations, corner))


def test_a_reason_names_what_the_move_lowers_most_the_others_moves_given() -> None:
    rng = np.random.default_rng(93)
    seen: Counter[str] = Counter()
    for _ in range(600):
        case = random_case(rng, largest_step=8)
        plan = planner.compute_plan(case)
        for reason in plan.reasons:
            code = reason.also or reason.code
            if not code.startswith("moves_") or case.specification.linked_with(reason.corner):
                continue
            i = CORNERS.index(reason.corner)
            changes = np.array(plan.changes)
            before = case.deviations_mm
            after = before + case.state.responses * changes
            without = after.copy()
            without[i] = before[i]
            then, now = shares(case, without, reason.corner), shares(case, after, reason.corner)
            gains = {name: then[name] - now[name] for name in then}
            best = max(gains, key=lambda name: gains[name], default="")
            nearer = abs(after[i]) < abs(before[i])
            own = FACTOR * np.sqrt(case.state.height_covariance[i, i] + case.round_uncertainty.common_variance_mm2[i])
            if nearer and abs(before[i]) > own:
                expected = "moves_towards_target"
            elif best and gains[best] > 0:
                expected = best
            else:
                expected = "moves_towards_target" if nearer else "moves_for_the_whole"
            assert code == expected
            seen[code] += 1
    assert min(seen[code] for code in ("moves_towards_target", "moves_for_side_difference", "moves_for_warp")) > 5


# What a corner stands at


def stop_by_hand(case: PlanningCase, corner: Corner, changes: Changes, wanted: int) -> tuple[str, float] | None:
    """The tightest of the four limits in the wanted direction, of the corner or its linked one; else the warp."""
    change, partner = changes[CORNERS.index(corner)], case.specification.linked_with(corner)
    if wanted == change:
        return None
    direction = 1 if wanted > change else -1
    members = [each for each in CORNERS if each in (corner, partner)]
    specification = case.specification
    for each in members:
        now, baseline = case.setpoint(each), case.baseline_setpoint(each)
        axle = specification.front if each in ("FL", "FR") else specification.rear
        ends = {
            "setpoint_range": (specification.setpoint_min - now, specification.setpoint_max - now),
            "band": (axle.setpoint_low - now, axle.setpoint_high - now),  # type: ignore[operator]
            "step": (-specification.step_max_counts, specification.step_max_counts),
            "shift_limit": (
                baseline - specification.shift_limit_counts - now,
                baseline + specification.shift_limit_counts - now,
            ),
        }
        lowest, highest = max(ends, key=lambda name: ends[name][0]), min(ends, key=lambda name: ends[name][1])
        if change + direction > ends[highest][1]:
            return f"stopped_by_{highest}", float(ends[highest][1])
        if change + direction < ends[lowest][0]:  # also of one that stands outside and comes back by more than a count
            return f"stopped_by_{lowest}", float(ends[lowest][0])
    most = specification.warp_change_max_mm
    now_mm = abs(warp_by_hand(case, dict(zip(CORNERS, changes, strict=True))))
    further = {c: n + direction * (c in members) for c, n in zip(CORNERS, changes, strict=True)}
    beyond_mm = abs(warp_by_hand(case, further))
    return ("stopped_by_warp_change", most) if beyond_mm > max(most + 1e-9, now_mm) else None


def warp_by_hand(case: PlanningCase, changes: dict[Corner, int]) -> float:
    moved = {c: case.state.responses[i] * changes[c] for i, c in enumerate(CORNERS)}
    return float(sum(SIGN_OF_WARP[c] * moved[c] for c in CORNERS)) / 2.0


def test_a_corner_stands_at_the_tightest_limit_in_the_direction_that_it_would_go() -> None:
    rng = np.random.default_rng(94)
    seen: Counter[str] = Counter()
    for _ in range(800):
        case = random_case(rng, largest_step=12)
        plan = planner.compute_plan(case)
        changes = plan.changes
        for corner in case.adjustable_corners:
            for wanted in (changes[CORNERS.index(corner)] + int(rng.integers(-3, 4)),):
                stop = planner._stopping_limit(case, corner, changes, wanted)
                mine = stop_by_hand(case, corner, changes, wanted)
                told = None if stop is None else (stop[0], next(iter(stop[1].values())))
                assert told == mine
                seen["none" if mine is None else mine[0]] += 1
    assert min(seen[name] for name in STOPS) > 5, seen


STOPS = ("none", *(f"stopped_by_{each}" for each in ("setpoint_range", "band", "step", "shift_limit", "warp_change")))


def test_a_linked_corner_stands_at_its_partners_limit() -> None:
    """RL may go on; RR, which shares its count, is at the end of its shift."""
    rng = np.random.default_rng(96)
    found = 0
    while found < 20:
        case = random_case(rng, largest_step=12)
        if not case.specification.linked_corners:
            continue
        baseline = list(case.baseline)
        baseline[3] = case.setpoint("RR") - case.specification.shift_limit_counts
        case = replace(case, baseline=tuple(baseline))  # type: ignore[arg-type]
        stop = planner._stopping_limit(case, "RL", (0, 0, 0, 0), 3)
        assert stop is not None
        assert (stop[0], stop[1]["limit_counts"]) == stop_by_hand(case, "RL", (0, 0, 0, 0), 3)
        found += stop[0] == "stopped_by_shift_limit"
