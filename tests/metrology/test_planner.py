"""The planner: exact optimum against brute force, limits, ties, reasons.

Rules: the project's design, no published source.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from calibration.metrology.corners import CORNERS, Corner
from calibration.metrology.errors import MetrologyError
from calibration.metrology.planner import Plan, PlanningCase, compute_plan, optimal_changes
from calibration.metrology.prediction import quadratic_in_changes
from calibration.metrology.response import Counts, JointState, follow_job, prior_from_specification, settled_round
from calibration.metrology.specification import Specification
from tests.metrology.builders import LINKED_REAR, REAR_ONLY, SPECIFICATION, round_off_by
from tests.simulator.planning_cases import ROUND_UNCERTAINTY, best_by_brute_force, random_case

ALL: tuple[Corner, ...] = CORNERS
START: Counts = (100, 100, 100, 100)


def case_off_by(
    deviations_mm: tuple[float, float, float, float],
    specification: Specification = SPECIFICATION,
    *,
    freed: tuple[Corner, ...] = ALL,
    setpoints: Counts = START,
    **fields: Any,
) -> PlanningCase:
    """A vehicle measured once at these deviations, response as the specification has it."""
    measured = settled_round(round_off_by(deviations_mm), specification.settling_mm, setpoints)
    state = follow_job(prior_from_specification(specification), [measured]).state
    fields = {"baseline": setpoints} | fields
    return PlanningCase(specification, state, freed=freed, round_uncertainty=ROUND_UNCERTAINTY, **fields)


def reason_of(plan: Plan, corner: Corner) -> str:
    return next(reason.code for reason in plan.reasons if reason.corner == corner)


def test_optimum_is_that_of_brute_force_also_far_off_and_step_limited() -> None:
    rng = np.random.default_rng(61)
    for _ in range(250):
        case = random_case(rng, largest_step=5)
        assert optimal_changes(case) == best_by_brute_force(case)[1]


def test_brute_force_notices_a_planner_that_rounds_instead_of_searching() -> None:
    """Negative control: clipping and rounding the unlimited optimum fails the test above in many cases."""
    rng = np.random.default_rng(61)
    wrong = 0
    for _ in range(100):
        case = random_case(rng, largest_step=5)
        quadratic, linear, _ = quadratic_in_changes(case)
        free = [CORNERS.index(corner) for corner in case.freed if corner in case.adjustable_corners]
        rounded = np.zeros(4)
        if free:
            unlimited = np.linalg.solve(2 * quadratic[np.ix_(free, free)], -linear[free])
            rounded[free] = np.clip(np.rint(unlimited), -5, 5)
        wrong += tuple(int(z) for z in rounded) != best_by_brute_force(case)[1]
    assert wrong > 20


def test_equal_heave_errors_give_the_same_count_on_all_four() -> None:
    same = replace(SPECIFICATION, rear=replace(SPECIFICATION.front, target_mm=504.0))
    for off in (-17.0, -9.0, 8.0, 12.5):
        changes = compute_plan(case_off_by((off, off, off, off), same)).changes
        assert len(set(changes)) == 1
        assert changes[0] * off < 0


def test_a_corner_off_target_moves_towards_it_and_the_others_stay() -> None:
    plan = compute_plan(case_off_by((-12.0, 0.0, 0.0, 0.0), freed=("FL", "FR")))
    assert plan.changes[0] in (12, 13)
    assert plan.changes[1] in (0, 1, -1)
    assert plan.changes[2:] == (0, 0)
    assert reason_of(plan, "FL") == "moves_towards_target"
    assert reason_of(plan, "RL") == "stays_nothing_significant"
    assert plan.setpoints == (100 + plan.changes[0], 100 + plan.changes[1], 100, 100)
    assert plan.limits_exhausted == plan.not_adjustable_here == ()
    assert not plan.is_empty


def test_nothing_freed_is_an_empty_plan() -> None:
    plan = compute_plan(case_off_by((-5.0, 0.0, 0.0, 0.0), freed=()))
    assert plan.is_empty
    assert plan.expected_writes == 0
    assert {reason.code for reason in plan.reasons} == {"stays_nothing_significant"}


def test_negative_responses_move_the_other_way() -> None:
    falling = replace(
        SPECIFICATION,
        front=replace(SPECIFICATION.front, response_mm_per_count=-0.9),
        rear=replace(SPECIFICATION.rear, response_mm_per_count=-1.05),
    )
    upwards = compute_plan(case_off_by((-12.0, -10.0, -9.0, -11.0))).changes
    downwards = compute_plan(case_off_by((-12.0, -10.0, -9.0, -11.0), falling)).changes
    assert downwards == tuple(-change for change in upwards)


def test_step_limit_stops_short_and_says_how_many_writes_to_expect() -> None:
    plan = compute_plan(case_off_by((-40.0, -40.0, -40.0, -40.0)))
    assert plan.changes == (20, 20, 20, 20)
    assert plan.expected_writes == 3
    reason = plan.reasons[0]
    assert (reason.code, reason.also) == ("stopped_by_step", "moves_towards_target")
    assert reason.numbers["limit_counts"] == 20
    assert reason.numbers["wanted_counts"] > 40
    assert plan.limits_exhausted == ()


def test_one_write_that_would_more_likely_miss_counts_as_two() -> None:
    near = compute_plan(case_off_by((-9.0, 0.0, 0.0, 0.0), freed=("FL",)))
    assert near.expected_writes == 1
    wide = replace(SPECIFICATION, step_max_counts=60)
    far = compute_plan(case_off_by((-33.0, 30.0, -33.0, 30.0), wide, freed=ALL))
    assert far.prediction.probability_truly_within < 0.5
    assert far.expected_writes == 2


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"front": replace(SPECIFICATION.front, setpoint_high=100)}, "stopped_by_band"),
        ({"setpoint_max": 100}, "stopped_by_setpoint_range"),
        ({"shift_limit_counts": 0}, "stopped_by_shift_limit"),
    ],
)
def test_a_corner_that_only_a_limit_keeps_is_limits_exhausted(change: dict[str, Any], code: str) -> None:
    plan = compute_plan(case_off_by((-12.0, 0, 0, 0), replace(SPECIFICATION, **change), freed=("FL",)))
    assert plan.is_empty
    assert plan.limits_exhausted == ("FL",)
    assert reason_of(plan, "FL") == code
    free = compute_plan(case_off_by((-12.0, 0, 0, 0), freed=("FL",)))
    assert not free.is_empty


def test_shift_counts_from_the_baseline_and_not_from_where_it_stands() -> None:
    ratcheted = case_off_by((-15.0, 0, 0, 0), freed=("FL",), baseline=(45, 100, 100, 100))
    plan = compute_plan(ratcheted)
    assert plan.changes == (5, 0, 0, 0)
    assert reason_of(plan, "FL") == "stopped_by_shift_limit"


def test_warp_change_binds_and_is_named() -> None:
    plan = compute_plan(case_off_by((-19.0, 19.0, 19.0, -19.0), replace(SPECIFICATION, warp_change_max_mm=6.0)))
    assert abs(plan.prediction.warp_change_mm) <= 6.0
    assert abs(plan.prediction.warp_change_mm) > 4.0
    assert "stopped_by_warp_change" in {reason.code for reason in plan.reasons}
    assert plan.expected_writes > 1
    stiff = compute_plan(case_off_by((-19.0, 0, 0, 0), replace(SPECIFICATION, warp_change_max_mm=0.0), freed=("FL",)))
    assert stiff.is_empty
    assert stiff.limits_exhausted == ("FL",)


def test_a_setpoint_outside_its_band_moves_inside_or_stays() -> None:
    below: Counts = (30, 100, 100, 100)
    inside = compute_plan(case_off_by((-14.0, 0, 0, 0), freed=("FL",), setpoints=below))
    assert 40 <= 30 + inside.changes[0] <= 215
    stays = compute_plan(case_off_by((0.5, 0, 0, 0), freed=("FL",), setpoints=below))
    assert stays.is_empty
    too_far = compute_plan(case_off_by((-14.0, 0, 0, 0), freed=("FL",), setpoints=(10, 100, 100, 100)))
    assert too_far.is_empty
    assert too_far.limits_exhausted == ("FL",)


def test_linked_corners_move_as_one() -> None:
    plan = compute_plan(case_off_by((0, 0, -12.0, -9.0), LINKED_REAR, freed=("RL", "RR")))
    assert plan.changes[2] == plan.changes[3] > 0
    assert reason_of(plan, "RR") == "moves_towards_target"


def test_a_linked_pair_off_in_opposite_directions_is_not_adjustable_here() -> None:
    plan = compute_plan(case_off_by((0, 0, -10.0, 10.0), LINKED_REAR, freed=("RL", "RR")))
    assert plan.is_empty
    assert plan.not_adjustable_here == ("RL", "RR")
    assert plan.limits_exhausted == ()
    one_sided = compute_plan(case_off_by((0, 0, -14.0, 2.0), LINKED_REAR, freed=("RL", "RR")))
    assert reason_of(one_sided, "RR") == "moves_with_linked_corner"


def test_only_controlled_corners_move_on_a_rear_only_vehicle() -> None:
    plan = compute_plan(
        case_off_by((-20.0, -20.0, -9.0, -9.0), REAR_ONLY, freed=("RL", "RR"), setpoints=(None, None, 100, 100))
    )
    assert plan.changes[:2] == (0, 0)
    assert plan.changes[2] > 0
    assert plan.setpoints[:2] == (None, None)
    assert reason_of(plan, "FL") == "stays_uncontrolled"
    assert [permitted.corner for permitted in plan.ranges] == ["RL", "RR"]


def test_a_suspect_corner_and_its_linked_partner_stay() -> None:
    plan = compute_plan(case_off_by((-12.0, 0, -12.0, -12.0), LINKED_REAR, suspect=("RL",)))
    assert plan.changes[2:] == (0, 0)
    assert plan.changes[0] > 0
    assert reason_of(plan, "RR") == "stays_suspect"


def test_an_excluded_corner_stays_and_says_so() -> None:
    plan = compute_plan(case_off_by((-12.0, 0, 0, -12.0), freed=("RR",), not_adjustable=("FL",)))
    assert reason_of(plan, "FL") == "stays_not_adjustable_here"
    assert plan.changes[3] > 0


def test_a_corner_may_move_away_from_its_target_for_the_side() -> None:
    """Front left high, front right a little high: with a narrow side limit the right one follows upwards."""
    narrow = replace(SPECIFICATION, side_difference_max_mm=1.0, step_max_counts=3, warp_max_mm=100.0)
    plan = compute_plan(case_off_by((30.0, 1.0, 0, 0), narrow, freed=("FL", "FR")))
    assert plan.changes[0] == -3
    assert plan.changes[1] > 0
    assert "moves_for_side_difference" in (plan.reasons[1].code, plan.reasons[1].also)


def test_a_corner_that_moves_for_the_side_does_not_say_it_is_off_its_target() -> None:
    """Half a millimetre is nothing that a tape can tell: front left follows front right."""
    plan = compute_plan(case_off_by((0.5, -7.0, 0, 0), freed=("FL", "FR")))
    assert plan.changes[0] == -1
    assert [reason_of(plan, corner) for corner in ("FL", "FR")] == ["moves_for_side_difference", "moves_towards_target"]
    assert plan.reasons[0].numbers["side_difference_mm"] == pytest.approx(7.5)


def test_where_an_axle_is_not_controlled_only_the_side_can_be_the_reason() -> None:
    """Warp is no term of the sum there."""
    case = case_off_by((0, 0, 0.5, -7.0), REAR_ONLY, setpoints=(None, None, 100, 100), freed=("RL", "RR"))
    plan = compute_plan(case)
    assert plan.changes[2] == -1
    assert reason_of(plan, "RL") == "moves_for_side_difference"


def test_a_corner_that_moves_for_the_twist_says_so() -> None:
    twisted = replace(SPECIFICATION, warp_max_mm=1.0)
    plan = compute_plan(case_off_by((6.0, -1.0, -1.0, 6.0), twisted))
    assert [each.code for each in plan.reasons] == [
        "moves_towards_target",
        "moves_for_warp",
        "moves_for_warp",
        "moves_towards_target",
    ]
    assert plan.reasons[1].numbers["warp_mm"] == pytest.approx(7.0)


def test_a_corner_without_any_known_response_is_left_alone() -> None:
    case = case_off_by((-12.0, 0, 0, 0), freed=("FL",))
    mean, covariance = case.state.mean.copy(), case.state.covariance.copy()
    mean[4] = covariance[4, :] = covariance[:, 4] = 0.0
    plan = compute_plan(replace(case, state=JointState(mean, covariance, START)))
    assert plan.is_empty
    assert reason_of(plan, "FL") == "stays_best_unmoved"
    assert plan.not_adjustable_here == ("FL",)


def test_a_tie_goes_to_less_movement() -> None:
    """A deviation of exactly half a count's effect, response known exactly: staying and moving cost the same."""
    lone = replace(SPECIFICATION, side_difference_max_mm=1e9, warp_max_mm=1e9)
    case = case_off_by((-0.5, 0, 0, 0), lone, freed=("FL",))
    mean, covariance = case.state.mean.copy(), case.state.covariance.copy()
    mean[4] = 1.0
    covariance[4, :] = covariance[:, 4] = 0.0
    assert optimal_changes(replace(case, state=JointState(mean, covariance, START))) == (0, 0, 0, 0)


@pytest.mark.parametrize(("baseline", "corner"), [((100, 100, 100, None), "RR"), ((None, 100, 100, 100), "FL")])
def test_counts_must_fit_the_controlled_corners(baseline: Counts, corner: str) -> None:
    with pytest.raises(MetrologyError, match=f"baseline of {corner}"):
        case_off_by((0, 0, 0, 0), baseline=baseline)


def test_prior_source_is_carried_into_the_plan() -> None:
    plan = compute_plan(case_off_by((-12.0, 0, 0, 0), prior_source="model", prior_vehicles=7))
    assert (plan.prior_source, plan.prior_vehicles) == ("model", 7)


def test_every_check_of_a_computed_plan_passes_or_asks_for_review() -> None:
    rng = np.random.default_rng(62)
    for _ in range(100):
        plan = compute_plan(random_case(rng, largest_step=30))
        assert {check.outcome for check in plan.limits} <= {"pass", "review"}


def test_a_corner_that_one_count_would_throw_further_off_is_not_adjustable_here() -> None:
    coarse = replace(SPECIFICATION, front=replace(SPECIFICATION.front, response_mm_per_count=40.0, response_sd=1.0))
    plan = compute_plan(case_off_by((-11.0, 0, 0, 0), coarse, freed=("FL",)))
    assert plan.not_adjustable_here == ("FL",)
    small = compute_plan(case_off_by((-5.0, 0, 0, 0), coarse, freed=("FL",)))
    assert small.is_empty
    assert small.not_adjustable_here == ()


def test_writes_are_counted_for_a_corner_that_stands_at_the_end_of_its_band() -> None:
    """From there it may only go one way; the step limit decides how often."""
    for at, off in ((215, 50.0), (40, -50.0)):
        plan = compute_plan(case_off_by((off, 0, 0, 0), freed=("FL",), setpoints=(at, 100, 100, 100)))
        assert abs(plan.changes[0]) == 20
        assert plan.expected_writes == 3


def test_every_reason_carries_the_figures_of_its_corner() -> None:
    """Also where a corner stays."""
    cases = (
        case_off_by((-12.0, 0.5, -12.0, -12.0), LINKED_REAR, freed=("FL", "RL"), suspect=("RL",)),
        case_off_by((-12.0, 0.5, 0, -12.0), freed=("RR",), not_adjustable=("FL",)),
        case_off_by((0, 0, -9.0, -9.0), REAR_ONLY, freed=("RL", "RR"), setpoints=(None, None, 100, 100)),
    )
    for case in cases:
        plan = compute_plan(case)
        expected = case.state.responses * np.array(plan.changes)
        for each in plan.reasons:
            assert each.numbers["expected_change_mm"] == expected[CORNERS.index(each.corner)]
            left, right = (0, 1) if each.corner in ("FL", "FR") else (2, 3)
            assert each.numbers["deviation_mm"] == case.deviations_mm[CORNERS.index(each.corner)]
            assert each.numbers["side_difference_mm"] == case.deviations_mm[left] - case.deviations_mm[right]
            assert each.numbers["expanded_uncertainty_mm"] > 0


def with_response(case: PlanningCase, response: float, covariance_with_height: float = 0.0) -> PlanningCase:
    """The case with another expected response of front left."""
    mean, covariance = case.state.mean.copy(), case.state.covariance.copy()
    mean[4] = response
    covariance[0, 4] = covariance[4, 0] = covariance_with_height
    return replace(case, state=JointState(mean, covariance, START))


def test_a_response_that_is_small_beside_its_uncertainty_is_used_all_the_same() -> None:
    case = with_response(case_off_by((-30.0, 0, 0, 0), freed=("FL",)), 0.02)
    assert case.state.response_covariance[0, 0] > 0.02
    assert compute_plan(case).changes[0] > 0


def test_a_move_that_no_single_term_asks_for_is_said_to_be_for_the_whole() -> None:
    """Height and response of front left are known to err together: by moving up it lowers the expectation."""
    plan = compute_plan(with_response(case_off_by((0, 0, 0, 0), freed=("FL",)), 0.1, -0.16))
    assert plan.changes[0] > 0
    assert reason_of(plan, "FL") == "moves_for_the_whole"


@pytest.mark.parametrize(("at", "off"), [(50, 50.0), (205, -50.0)])
def test_what_the_band_keeps_out_of_reach_asks_for_no_writes(at: int, off: float) -> None:
    """Ten counts remain of more than fifty: one write, and one more since that one will hardly do."""
    plan = compute_plan(case_off_by((off, 0, 0, 0), freed=("FL",), setpoints=(at, 100, 100, 100)))
    assert abs(plan.changes[0]) == 10
    assert plan.expected_writes == 2


def test_a_move_nearer_that_shares_no_term_with_others_is_towards_the_target() -> None:
    """Not significant by itself, front axle uncontrolled and its own side set aside."""
    case = case_off_by(
        (0, 0, 2.2, 0),
        REAR_ONLY,
        setpoints=(None, None, 100, 100),
        freed=("RL",),
        sides_not_adjustable=("rear",),
    )
    plan = compute_plan(case)
    assert plan.changes[2] < 0
    assert abs(plan.reasons[2].numbers["deviation_mm"]) < plan.reasons[2].numbers["expanded_uncertainty_mm"]
    assert reason_of(plan, "RL") == "moves_towards_target"
