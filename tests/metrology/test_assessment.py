"""Assessment of pooled rounds."""

from __future__ import annotations

import math
from dataclasses import FrozenInstanceError, replace
from typing import TYPE_CHECKING, Any

import pytest

from calibration.metrology.assessment import adjustable_corners, adjustable_sides, assess
from calibration.metrology.corners import CORNERS
from calibration.metrology.errors import MetrologyError
from calibration.metrology.readings import Repeatability
from tests.metrology.builders import (
    LINKED_REAR,
    OTHER_TAPE,
    REAR_ONLY,
    SPECIFICATION,
    TAPE,
    TARGETS_MM,
    round_off_by,
    with_tolerance,
)

if TYPE_CHECKING:
    from calibration.metrology.assessment import Assessment
    from calibration.metrology.specification import Specification

TRUE = (0.0, 0.0, 0.0, 0.0)


def freed(deviations: tuple[float, ...], specification: Specification = SPECIFICATION, **options: Any) -> set[str]:
    assessment = assess([round_off_by(deviations)], specification, **options)
    return {corner.corner for corner in assessment.corners if corner.freed}


def codes(assessment: Assessment) -> list[tuple[str, str | None]]:
    return [(finding.code, finding.corner) for finding in assessment.findings]


class TestCorner:
    def test_holds_mean_deviation_and_uncertainty_unrounded(self) -> None:
        found = assess([round_off_by((11.5, 0, 0, 0))], SPECIFICATION).corner("FL")
        assert (found.mean_mm, found.target_mm, found.deviation_mm) == (497.5, 486.0, 11.5)
        assert found.standard_uncertainty_mm == pytest.approx(math.sqrt(1.75), rel=1e-12)
        assert (found.degrees_of_freedom, found.readings, found.rounds) == (147, 2, 1)
        assert found.expanded_uncertainty_mm == found.coverage_factor * found.standard_uncertainty_mm
        assert found.verdict == "outside"

    def test_is_judged_against_the_tolerance_of_its_axle(self) -> None:
        uneven = replace(SPECIFICATION, rear=replace(SPECIFICATION.rear, tolerance_mm=10.0))
        assessment = assess([round_off_by((5.0, 5.0, 5.0, 5.0))], uneven)
        assert [corner.verdict for corner in assessment.corners] == ["undecided"] * 2 + ["within"] * 2

    def test_is_judged_against_a_conceded_target(self) -> None:
        measured = round_off_by((20.0, 20.0, 20.0, 20.0))
        assert assess([measured], SPECIFICATION).verdict == "outside"
        conceded = assess([measured], SPECIFICATION, targets_mm=[target + 20 for target in TARGETS_MM])
        assert conceded.verdict == "within"
        assert conceded.corner("RL").target_mm == 524.0
        assert conceded.modes.heave_mm == 0.0

    def test_pools_the_rounds_it_is_given(self) -> None:
        assessment = assess([round_off_by((3, 0, 0, 0)), round_off_by((5, 0, 0, 0), identity="second")], SPECIFICATION)
        found = assessment.corner("FL")
        assert found.deviation_mm == pytest.approx(4.0)
        assert (found.readings, found.rounds) == (4, 2)
        assert assessment.rounds == ("round 1", "second")

    def test_with_a_wild_reading_rests_on_the_median(self) -> None:
        measured = round_off_by(TRUE)
        readings = (486.0, 496.0, 486.0, 487.0)
        found = assess([replace(measured, readings_mm=(readings, *measured.readings_mm[1:]))], SPECIFICATION)
        assert (found.corner("FL").mean_mm, found.corner("FL").estimator) == (486.5, "median")
        assert found.corner("FL").budget.standard_uncertainty_of("repeatability") == pytest.approx(1.25 / 2)

    def test_with_a_disagreeing_pair_is_to_be_read_twice_more(self) -> None:
        measured = round_off_by(TRUE)
        pair = replace(measured, readings_mm=(*measured.readings_mm[:3], (500.0, 508.0)))
        found = assess([pair], SPECIFICATION).corner("RR")
        assert (found.repeats_wanted, found.read_again) == (2, 2)

    def test_disagreement_in_an_earlier_round_asks_for_nothing_now(self) -> None:
        measured = round_off_by(TRUE)
        pair = replace(measured, readings_mm=(*measured.readings_mm[:3], (500.0, 508.0)))
        assert assess([pair, measured], SPECIFICATION).corner("RR").repeats_wanted == 0

    def test_that_cannot_be_adjusted_is_not_read_again_even_if_the_pair_disagrees(self) -> None:
        measured = round_off_by(TRUE)
        pair = replace(measured, readings_mm=((480.0, 490.0), *measured.readings_mm[1:]))
        assert assess([pair], SPECIFICATION).corner("FL").read_again == 2
        assert assess([pair], REAR_ONLY).corner("FL").read_again == 0

    @pytest.mark.parametrize(("deviation", "significant"), [(2.6, False), (2.63, True), (-2.63, True)])
    def test_is_significant_beyond_its_uncertainty(self, deviation: float, significant: bool) -> None:
        found = assess([round_off_by((deviation, 0, 0, 0))], SPECIFICATION).corner("FL")
        assert found.significant is significant


class TestSide:
    def test_is_left_minus_right_without_the_tape(self) -> None:
        found = assess([round_off_by((11.5, 10.0, 0, 0))], SPECIFICATION).side("front")
        assert found.difference_mm == pytest.approx(1.5)
        assert found.standard_uncertainty_mm == pytest.approx(math.sqrt(2 * (1.75 - 0.25 / 3)))
        assert round(found.expanded_uncertainty_mm, 1) == 3.6
        assert "instrument" not in {part.name for part in found.budget.components}

    def test_measured_with_two_tapes_keeps_both_errors(self) -> None:
        mixed = round_off_by(TRUE, instruments=(TAPE, OTHER_TAPE))
        found = assess([mixed], SPECIFICATION).side("front")
        assert found.standard_uncertainty_mm == pytest.approx(math.sqrt(2 * 1.75))

    @pytest.mark.parametrize(
        ("half", "verdict"), [(2.0, "within"), (2.3, "undecided"), (5.7, "undecided"), (5.9, "outside")]
    )
    def test_is_judged_against_its_own_limit(self, half: float, verdict: str) -> None:
        assessment = assess([round_off_by((half, -half, 0, 0))], with_tolerance(20.0))
        assert assessment.side("front").verdict == verdict
        assert assessment.verdict == verdict


class TestVehicle:
    def test_is_within_only_if_every_corner_and_side_is(self) -> None:
        assert assess([round_off_by((3.0, 0, 0, -3.0))], SPECIFICATION).verdict == "within"
        assert assess([round_off_by((4.0, 0, 0, 0))], SPECIFICATION).verdict == "undecided"
        assert assess([round_off_by((9.0, 0, 0, 4.0))], SPECIFICATION).verdict == "outside"

    def test_verdict_leaves_out_corners_and_sides_that_cannot_be_adjusted(self) -> None:
        measured = round_off_by((20.0, 0, 0, 0))
        assert assess([measured], SPECIFICATION).verdict == "outside"
        for excused in (
            assess([measured], REAR_ONLY),
            assess([measured], SPECIFICATION, not_adjustable={"FL"}),
        ):
            assert excused.verdict == "within"
            assert excused.corner("FL").verdict == "outside"
            assert excused.side("front").verdict == "outside"

    def test_verdict_leaves_out_a_side_that_the_caller_excuses(self) -> None:
        measured, lax = round_off_by((6.0, -6.0, 0, 0)), with_tolerance(20.0)
        assert assess([measured], lax).verdict == "outside"
        excused = assess([measured], lax, sides_not_adjustable={"front"})
        assert excused.verdict == "within"
        assert not excused.side("front").adjustable

    def test_with_nothing_to_adjust_is_within(self) -> None:
        fixed = replace(SPECIFICATION, controlled_corners=())
        assert assess([round_off_by((20.0, 0, 0, 0))], fixed).verdict == "within"

    def test_worse_repeatability_makes_a_verdict_harder(self) -> None:
        measured = round_off_by((3.0, 0, 0, 0))
        assert assess([measured], SPECIFICATION).verdict == "within"
        shaky = replace(measured, repeatability=Repeatability(3.0, 12))
        assert assess([shaky], SPECIFICATION).verdict == "undecided"


class TestFreed:
    def test_are_the_significant_corners(self) -> None:
        assert freed((3.0, 0, 0, 0)) == {"FL"}
        assert freed((2.0, 2.0, 2.0, 2.0)) == set()

    def test_are_both_corners_of_a_significant_side(self) -> None:
        assert freed((2.0, -2.0, 0, 0)) == {"FL", "FR"}

    def test_are_both_corners_of_a_linked_pair(self) -> None:
        assert freed((0, 0, 3.0, 1.0), LINKED_REAR) == {"RL", "RR"}

    def test_are_not_freed_by_the_side_of_a_linked_pair(self) -> None:
        assert freed((0, 0, 2.0, -2.0), SPECIFICATION) == {"RL", "RR"}
        assert freed((0, 0, 2.0, -2.0), LINKED_REAR) == set()

    def test_are_never_corners_that_cannot_be_adjusted_and_those_free_no_other(self) -> None:
        assert freed((9.0, 0, 0, 0)) == {"FL", "FR"}
        assert freed((9.0, 0, 0, 0), REAR_ONLY) == set()
        assert freed((9.0, 0, 0, 0), not_adjustable=("FL",)) == set()

    def test_are_not_freed_by_a_side_that_the_caller_excuses(self) -> None:
        assert freed((2.0, -2.0, 0, 0), sides_not_adjustable=("front",)) == set()


class TestAdjustable:
    def test_are_all_corners_and_sides_of_an_ordinary_vehicle(self) -> None:
        assert adjustable_corners(SPECIFICATION) == set(CORNERS)
        assert adjustable_sides(SPECIFICATION) == {"front", "rear"}

    def test_are_only_the_controlled_corners(self) -> None:
        assert adjustable_corners(REAR_ONLY) == {"RL", "RR"}
        assert adjustable_sides(REAR_ONLY) == {"rear"}

    def test_a_linked_side_is_not(self) -> None:
        assert adjustable_corners(LINKED_REAR) == set(CORNERS)
        assert adjustable_sides(LINKED_REAR) == {"front"}

    def test_a_corner_linked_with_one_that_is_not_is_neither(self) -> None:
        assert adjustable_corners(LINKED_REAR, ["RR"]) == {"FL", "FR"}

    def test_a_side_needs_both_its_corners(self) -> None:
        assert adjustable_sides(SPECIFICATION, ["FR"]) == {"rear"}
        assert adjustable_sides(SPECIFICATION, (), ["rear"]) == {"front"}


class TestFindings:
    def test_of_a_quiet_round_are_none(self) -> None:
        assert assess([round_off_by(TRUE)], SPECIFICATION, pad_levels_mm=TRUE).findings == ()

    def test_name_every_disagreement_with_its_numbers(self) -> None:
        measured = round_off_by(TRUE)
        pair = replace(measured, readings_mm=((484.0, 488.0), *measured.readings_mm[1:]))
        assessment = assess([pair, replace(measured, identity="second")], SPECIFICATION)
        assert codes(assessment) == [("pair_disagrees", "FL")]
        assert assessment.findings[0].severity == "note"
        assert dict(assessment.findings[0].values) == {
            "round": "round 1",
            "readings": 2,
            "range_mm": 4.0,
            "limit_mm": 2.8,
            "estimator": "mean",
        }

    def test_name_a_large_warp(self) -> None:
        warped = round_off_by((9.0, -9.0, -9.0, 9.0))
        assessment = assess([warped], SPECIFICATION)
        assert assessment.warp.large
        assert codes(assessment) == [("large_warp", None)]
        values = assessment.findings[0].values
        assert (values["warp_mm"], values["limit_mm"]) == (18.0, 6.0)
        assert "floor_warp_mm" not in values

    def test_set_the_warp_of_the_floor_beside_a_large_warp(self) -> None:
        warped = round_off_by((9.0, -9.0, -9.0, 9.0))
        assessment = assess([warped], SPECIFICATION, pad_levels_mm=(-6.0, 0, 0, 0))
        assert codes(assessment) == [("large_warp", None), ("floor_not_level", None)]
        assert [finding.values["floor_warp_mm"] for finding in assessment.findings] == [3.0, 3.0]

    def test_of_the_attitude_carry_every_figure_that_a_text_needs(self) -> None:
        assessment = assess([round_off_by((9.0, -9.0, -9.0, 9.0))], SPECIFICATION, pad_levels_mm=(-6.0, 0, 0, 0))
        warp, floor = assessment.findings
        assert (warp.severity, floor.severity) == ("note", "note")
        assert dict(warp.values) == {
            "warp_mm": 18.0,
            "expanded_uncertainty_mm": assessment.warp.expanded_uncertainty_mm,
            "limit_mm": 6.0,
            "floor_warp_mm": 3.0,
        }
        assert dict(floor.values) == {
            "floor_warp_mm": 3.0,
            "limit_mm": 2.0,
            "longitudinal_slope": pytest.approx(-3 / 2885),
            "lateral_slope": pytest.approx(-3 / 1609),
        }

    def test_pad_levels_never_correct_a_height(self) -> None:
        measured = round_off_by((9.0, -9.0, -9.0, 9.0))
        sloping = assess([measured], SPECIFICATION, pad_levels_mm=(-6.0, 0, 0, 0))
        assert sloping.corners == assess([measured], SPECIFICATION).corners

    def test_name_what_cannot_be_adjusted_and_is_not_within(self) -> None:
        assessment = assess([round_off_by((13.0, 0.0, 0, 0))], REAR_ONLY)
        assert codes(assessment) == [("not_adjustable_here", "FL"), ("not_adjustable_here", None)]
        assert assessment.findings[0].values["verdict"] == "outside"
        assert assessment.findings[1].values["axle"] == "front"
        assert codes(assess([round_off_by(TRUE)], REAR_ONLY)) == []

    def test_of_what_cannot_be_adjusted_carry_the_figures_they_were_judged_by(self) -> None:
        assessment = assess([round_off_by((13.0, 0.0, 0, 0))], REAR_ONLY)
        corner, side = (dict(finding.values) for finding in assessment.findings)
        assert {finding.severity for finding in assessment.findings} == {"note"}
        assert corner == {
            "verdict": "outside",
            "deviation_mm": 13.0,
            "expanded_uncertainty_mm": assessment.corners[0].expanded_uncertainty_mm,
            "tolerance_mm": 6.0,
        }
        assert side == {
            "axle": "front",
            "verdict": "outside",
            "difference_mm": 13.0,
            "expanded_uncertainty_mm": assessment.sides[0].expanded_uncertainty_mm,
            "limit_mm": 8.0,
        }


class TestInputs:
    def test_without_a_round_are_refused(self) -> None:
        with pytest.raises(MetrologyError, match="rounds"):
            assess([], SPECIFICATION)

    @pytest.mark.parametrize("targets", [(486.0,), (486.0, 486.0, 504.0, math.nan)])
    def test_with_impossible_targets_are_refused(self, targets: tuple[float, ...]) -> None:
        with pytest.raises(MetrologyError, match="targets_mm"):
            assess([round_off_by(TRUE)], SPECIFICATION, targets_mm=targets)

    def test_give_a_result_that_cannot_be_changed(self) -> None:
        assessment = assess([round_off_by(TRUE)], SPECIFICATION)
        with pytest.raises(FrozenInstanceError):
            assessment.verdict = "outside"  # type: ignore[misc]

    def test_give_the_same_result_every_time(self) -> None:
        measured = round_off_by((3.5, -1.0, 0.5, 2.0))
        assert assess([measured], SPECIFICATION) == assess([measured], SPECIFICATION)
