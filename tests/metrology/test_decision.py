"""The next step from verdict, plan and suspicions. Rules: the project's design, no published source."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from calibration.metrology.assessment import Assessment, assess
from calibration.metrology.decision import MAX_ROUNDS_BEFORE_CHANGE, MAX_WRITES, Decision, decide
from calibration.metrology.planner import Plan, compute_plan
from calibration.metrology.specification import Specification
from calibration.metrology.suspicion import Suspicion
from tests.metrology.builders import LINKED_REAR, REAR_ONLY, SPECIFICATION, round_off_by
from tests.metrology.test_planner import case_off_by

Four = tuple[float, float, float, float]


def judged(
    deviations_mm: Four, specification: Specification = SPECIFICATION, *, rounds: int = 1, **round_fields: Any
) -> Assessment:
    measured = [round_off_by(deviations_mm, identity=f"round {number}", **round_fields) for number in range(rounds)]
    return assess(measured, specification)


def planned(
    deviations_mm: Four, assessment: Assessment, specification: Specification = SPECIFICATION, **fields: Any
) -> Plan:
    freed = tuple(each.corner for each in assessment.corners if each.freed)
    return compute_plan(case_off_by(deviations_mm, specification, freed=freed, **fields))


def decided(
    deviations_mm: Four,
    specification: Specification = SPECIFICATION,
    *,
    rounds: int = 1,
    writes: int = 0,
    suspicions: tuple[Suspicion, ...] = (),
    readings: int = 2,
    **fields: Any,
) -> Decision:
    """The whole way: judge, plan, decide."""
    assessment = judged(deviations_mm, specification, rounds=rounds, readings=readings)
    plan = planned(deviations_mm, assessment, specification, **fields)
    return decide(assessment, plan, writes=writes, suspicions=suspicions)


def a_suspicion(*, confirmed: bool) -> Suspicion:
    finding: Any = "corner_not_responding" if confirmed else None
    return Suspicion(1, "RL", "not_responding", confirmed, finding, 15.0, 0.0, -15.0, 2.5, 0.0)


def test_all_within_is_signed_off_however_many_writes_it_took() -> None:
    assert decided((0.0, 1.0, -1.0, 0.5), writes=MAX_WRITES) == Decision("sign_off", "all_within")


def test_something_outside_is_proposed_for() -> None:
    decision = decided((-12.0, 0.0, 0.0, 0.0))
    assert (decision.step, decision.reason) == ("propose", "outside")
    assert "FL" in decision.corners


def test_a_side_outside_is_not_said_to_be_a_corner_outside() -> None:
    """Both corners are within or undecided; what is outside is the difference between left and right."""
    narrow = replace(SPECIFICATION, side_difference_max_mm=3.0)
    decision = decided((4.0, -4.0, 0.0, 0.0), narrow)
    assert (decision.step, decision.reason) == ("propose", "side_difference_outside")
    assert decided((-12.0, 4.0, 0.0, 0.0), narrow).reason == "outside"


def test_the_sixth_write_is_the_last() -> None:
    assert decided((-12.0, 0, 0, 0), writes=5).step == "propose"
    decision = decided((-12.0, 0, 0, 0), writes=6)
    assert (decision.step, decision.reason) == ("inspect", "too_many_writes")
    assert decision.corners == ("FL", "FR")


def test_undecided_is_read_again_where_readings_can_decide() -> None:
    decision = decided((3.6, 0.0, 0.0, 0.0))
    assert decision == Decision("read_again", "readings_can_decide", ("FL",))


def test_undecided_is_settled_and_measured_until_three_rounds_are_pooled() -> None:
    for rounds in (1, 2):
        decision = decided((6.0, 0.0, 0.0, 0.0), rounds=rounds)
        assert (decision.step, decision.reason) == ("settle_and_measure", "round_can_decide")
        assert "FL" in decision.corners


def test_undecided_after_three_rounds_is_proposed_for_where_a_plan_changes_something() -> None:
    decision = decided((6.0, 0.0, 0.0, 0.0), rounds=3)
    assert (decision.step, decision.reason) == ("propose", "undecided_but_improvable")
    assert decided((6.0, 0, 0, 0), rounds=3, writes=MAX_WRITES) == Decision("inspect", "too_many_writes", ("FL", "FR"))


def test_a_vehicle_nobody_has_touched_is_measured_on_while_rounds_can_show_that_it_is_within() -> None:
    tight = replace(SPECIFICATION, front=replace(SPECIFICATION.front, tolerance_mm=4.0))
    deviations = (2.25, 0.0, 0.0, 0.0)
    assert judged(deviations, tight, rounds=3).rounds_to_decide == 2
    assert decided(deviations, tight, rounds=3).reason == "round_can_decide"
    assert decided(deviations, tight, rounds=3, writes=1).reason == "undecided_but_improvable"
    assert decided(deviations, tight, rounds=5).reason == "all_within"


@pytest.mark.parametrize("off", [(7.75, 7.75, 0.0, 0.0), (-7.75, -7.75, 0.0, 0.0)])
def test_rounds_that_would_only_show_that_something_is_outside_are_not_waited_for(off: Four) -> None:
    assert judged(off, rounds=3).rounds_to_decide is not None
    assert decided(off, rounds=3).reason == "undecided_but_improvable"


def test_a_vehicle_nobody_has_touched_is_measured_a_fourth_time_before_noise_adjusts_it() -> None:
    tight = replace(SPECIFICATION, front=replace(SPECIFICATION.front, tolerance_mm=4.0))
    deviations = (3.75, 0.0, 0.0, 0.0)
    assert judged(deviations, tight, rounds=3).rounds_to_decide is None
    assert decided(deviations, tight, rounds=3).reason == "round_can_decide"
    assert decided(deviations, tight, rounds=3, writes=1).reason == "undecided_but_improvable"
    assert decided(deviations, tight, rounds=4).reason == "undecided_but_improvable"
    assert decided((4.25, 0.0, 0.0, 0.0), tight, rounds=3).reason == "undecided_but_improvable"


def test_no_vehicle_is_measured_for_ever() -> None:
    tight = replace(SPECIFICATION, front=replace(SPECIFICATION.front, tolerance_mm=4.0))
    reasons = [decided((2.5, 0.0, 0.0, 0.0), tight, rounds=rounds).reason for rounds in (4, MAX_ROUNDS_BEFORE_CHANGE)]
    assert "round_can_decide" not in reasons


def test_before_a_change_as_many_rounds_are_measured_as_are_expected_to_decide_by_the_sixth() -> None:
    tight = replace(SPECIFICATION, front=replace(SPECIFICATION.front, tolerance_mm=4.0))
    by_the_sixth, by_the_seventh = (2.3, 0.0, 0.0, 0.0), (2.35, 0.0, 0.0, 0.0)
    assert judged(by_the_sixth, tight, rounds=4).rounds_to_decide == 2
    assert decided(by_the_sixth, tight, rounds=4).reason == "round_can_decide"
    assert judged(by_the_seventh, tight, rounds=4).rounds_to_decide == 3
    assert decided(by_the_seventh, tight, rounds=4).reason == "undecided_but_improvable"


@pytest.mark.parametrize("off", [(4.25, -4.25, 0.0, 0.0), (-4.25, 4.25, 0.0, 0.0)])
def test_a_side_that_is_rather_outside_is_not_measured_a_fourth_time(off: Four) -> None:
    """Both corners lie inside their tolerance; their difference of 8.5 mm lies outside its limit of 8 mm."""
    assert {each.verdict for each in judged(off, rounds=3).sides} == {"undecided", "within"}
    assert decided(off, rounds=3).reason == "undecided_but_improvable"


TIGHT = replace(
    SPECIFICATION,
    front=replace(SPECIFICATION.front, tolerance_mm=2.0),
    rear=replace(SPECIFICATION.rear, tolerance_mm=2.0),
)


def test_a_tolerance_that_a_tape_cannot_decide_goes_to_approval_once_nothing_is_significant() -> None:
    decision = decided((0.5, 0.0, 0.0, 0.0), TIGHT, rounds=3)
    assert (decision.step, decision.reason) == ("get_approval", "tape_cannot_decide")
    assert "FL" in decision.corners
    assessment = judged((0.5, 0, 0, 0), TIGHT, rounds=3)
    assert decide(assessment, None, writes=0) == decision


def test_a_proposal_is_never_empty() -> None:
    """Whatever is measured, `propose` comes with a plan that moves what it names."""
    for off in range(-14, 15):
        deviations = (float(off), off / 2, -float(off), 1.0)
        for rounds in (1, 3):
            assessment = judged(deviations, rounds=rounds)
            plan = planned(deviations, assessment)
            decision = decide(assessment, plan, writes=0)
            if decision.step == "propose":
                assert decision.corners
                assert {c for c, n in zip(("FL", "FR", "RL", "RR"), plan.changes, strict=True) if n} == set(
                    decision.corners
                )


def test_a_limit_that_keeps_an_outside_corner_is_for_inspection() -> None:
    banded = replace(SPECIFICATION, front=replace(SPECIFICATION.front, setpoint_high=100, setpoint_low=100))
    decision = decided((-12.0, 0, 0, 0), banded)
    assert (decision.step, decision.reason) == ("inspect", "limits_exhausted")
    assert "FL" in decision.corners
    undecided = decided((6.0, 0, 0, 0), banded, rounds=3)
    assert undecided.reason == "limits_exhausted"


def test_a_linked_pair_off_in_opposite_directions_is_set_aside_and_the_rest_signed_off() -> None:
    decision = decided((0.0, 0.0, -10.0, 10.0), LINKED_REAR)
    assert decision == Decision("sign_off", "all_within", (), ("RL", "RR"))


def test_a_linked_pair_undecided_after_three_rounds_is_set_aside_too() -> None:
    decision = decided((0.0, 0.0, -5.5, 5.5), LINKED_REAR, rounds=3)
    assert decision == Decision("sign_off", "all_within", (), ("RL", "RR"))


def test_what_remains_undecided_once_a_pair_is_set_aside_goes_on_by_section_three() -> None:
    assessment = judged((6.0, 0.0, -10.0, 10.0), LINKED_REAR)
    plan = compute_plan(case_off_by((6.0, 0.0, -10.0, 10.0), LINKED_REAR, freed=("RL", "RR")))
    decision = decide(assessment, plan, writes=0)
    assert (decision.step, decision.reason) == ("settle_and_measure", "round_can_decide")
    assert decision.not_adjustable_here == ("RL", "RR")
    assert "FL" in decision.corners
    assert "RL" not in decision.corners
    pooled = judged((6.0, 0.0, -10.0, 10.0), LINKED_REAR, rounds=3)
    assert decide(pooled, plan, writes=0) == Decision(
        "get_approval", "tape_cannot_decide", decision.corners, ("RL", "RR"), ()
    )


def test_a_side_that_no_count_improves_is_set_aside_with_its_name() -> None:
    sides = replace(SPECIFICATION, side_difference_max_mm=2.0)
    assessment = judged((4.0, -4.0, 0, 0), replace(sides, front=replace(sides.front, tolerance_mm=12.0)))
    decision = decide(assessment, None, writes=0)
    assert decision == Decision("settle_and_measure", "round_can_decide", ("RL", "RR"), (), ("front",))
    pooled = judged((4.0, -4.0, 1.8, 0), replace(sides, front=replace(sides.front, tolerance_mm=12.0)), rounds=3)
    assert decide(pooled, None, writes=0) == Decision(
        "get_approval", "tape_cannot_decide", ("RL", "RR"), (), ("front",)
    )


def test_an_uncontrolled_axle_blocks_nothing() -> None:
    decision = decided((-20.0, 20.0, 0.0, 0.0), REAR_ONLY, setpoints=(None, None, 100, 100))
    assert decision == Decision("sign_off", "all_within")


def test_readings_that_disagree_come_before_everything_else() -> None:
    spread = round_off_by((-12.0, 0, 0, 0))
    apart = replace(spread, readings_mm=((474.0, 480.0), *spread.readings_mm[1:]))
    assessment = assess([apart], SPECIFICATION)
    plan = planned((-12.0, 0, 0, 0), assessment)
    decision = decide(assessment, plan, writes=0, suspicions=[a_suspicion(confirmed=True)])
    assert decision == Decision("read_again", "pair_disagrees", ("FL",))


def test_a_suspicion_is_confirmed_by_one_more_round_and_then_inspected() -> None:
    first = decided((0, 0, -12.0, 0), suspicions=(a_suspicion(confirmed=False),))
    assert first == Decision("settle_and_measure", "confirm_suspicion", ("RL",))
    second = decided((0, 0, -12.0, 0), rounds=2, suspicions=(a_suspicion(confirmed=True),))
    assert second == Decision("inspect", "suspicion_confirmed", ("RL",))
    assert decided((0, 0, -12.0, 0), rounds=2).step == "propose"


def test_a_confirmed_suspicion_stops_even_where_all_is_within() -> None:
    assert decided((0, 0, 0, 0), suspicions=(a_suspicion(confirmed=True),)).step == "inspect"


def test_an_outside_corner_kept_by_suspicion_alone_is_inspected_and_never_set_aside() -> None:
    decision = decided((0, 0, -12.0, 0), suspect=("RL", "RR"))
    assert decision == Decision("inspect", "suspicion_confirmed", ("RL", "RR"))


@pytest.mark.parametrize("rounds", [1, 2, 3])
def test_outside_is_not_waited_for(rounds: int) -> None:
    assert decided((-12.0, 0, 0, 0), rounds=rounds).step == "propose"
