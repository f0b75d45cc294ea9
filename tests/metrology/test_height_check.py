"""Height checks: budgets against an independent uncertainty library, verdicts by the design's rules."""

from __future__ import annotations

import math

import pytest
from GTC import ureal  # type: ignore[import-untyped]

from calibration.metrology.corners import CORNERS
from calibration.metrology.errors import MetrologyError
from calibration.metrology.height_check import UNKNOWN_INSTRUMENT, assess_height_check, checked_heights
from calibration.metrology.height_check_document import height_check_as_dict, heights_as_dict
from calibration.metrology.pooling import RoundMeasurement, pool
from calibration.metrology.readings import PRIOR_REPEATABILITY, Repeatability
from calibration.metrology.uncertainty import Instrument
from tests.metrology.builders import REAR_ONLY, SPECIFICATION, TAPE

SETTLING_MM = 1.5
TRUE = (486.0, 486.0, 504.0, 504.0)


def check(
    heights: tuple[float, ...] = TRUE, *, tape: Instrument = TAPE, known: Repeatability = PRIOR_REPEATABILITY
) -> RoundMeasurement:
    return RoundMeasurement(tuple((height,) for height in heights), known, (tape,))


class TestHeights:
    def test_of_one_reading_have_the_uncertainty_that_an_independent_library_gives(self) -> None:
        known = Repeatability(1.2, 14)
        found = checked_heights(check(tape=Instrument("a", 1.0, "II"), known=known), SETTLING_MM)[0]

        height = (
            ureal(486.0, 1.2, 14)
            + ureal(0, SETTLING_MM / math.sqrt(3))
            + ureal(0, 1 / math.sqrt(12))
            + ureal(0, 1 / math.sqrt(3))
            + ureal(0, 0.5 / math.sqrt(3))
        )
        assert found.mean_mm == height.x
        assert found.budget.standard_uncertainty_mm == pytest.approx(height.u)
        assert found.budget.degrees_of_freedom == math.floor(height.df + 1e-9)

    def test_measured_with_nobody_knows_what_are_twice_as_uncertain_as_with_the_widest_class(self) -> None:
        found = checked_heights(check(tape=UNKNOWN_INSTRUMENT), SETTLING_MM, instrument_known=False)[0]

        height = 2 * (
            ureal(486.0, 1.0, 8)
            + ureal(0, SETTLING_MM / math.sqrt(3))
            + ureal(0, 1 / math.sqrt(12))
            + ureal(0, 1 / math.sqrt(3))
            + ureal(0, (0.6 + 0.4 * 1) / math.sqrt(3))  # class III, Directive 2014/32/EU, Annex X
        )
        assert found.mean_mm == 486.0
        assert found.budget.standard_uncertainty_mm == pytest.approx(height.u)
        assert found.budget.degrees_of_freedom == math.floor(height.df + 1e-9)

    def test_of_a_known_instrument_are_those_of_a_round(self) -> None:
        read_twice = RoundMeasurement(((486.0, 487.0),) * 4, PRIOR_REPEATABILITY, (TAPE,))
        assert checked_heights(read_twice, SETTLING_MM) == pool([read_twice], SETTLING_MM)

    def test_need_a_settling_that_can_be(self) -> None:
        with pytest.raises(MetrologyError):
            checked_heights(check(), -1.0)


class TestVerdict:
    def test_keeps_the_expanded_uncertainty_as_guard_band(self) -> None:
        found = assess_height_check(check((486.0, 490.5, 504.0, 516.0)), SPECIFICATION)
        expanded = found.corner("FR").budget.expanded_uncertainty_mm

        assert 4.5 + expanded > 6.0
        assert [each.verdict for each in found.corners] == ["within", "undecided", "within", "outside"]
        assert found.verdict == "outside"

    def test_of_the_same_heights_is_less_certain_where_the_instrument_is_unknown(self) -> None:
        heights = (486.0, 486.0, 504.0, 504.0)
        named = assess_height_check(check(heights), SPECIFICATION)
        unnamed = assess_height_check(check(heights, tape=UNKNOWN_INSTRUMENT), SPECIFICATION, instrument_known=False)

        assert named.verdict == "within"
        assert unnamed.verdict == "undecided"

    def test_on_a_side_leaves_out_what_one_instrument_does_left_and_right(self) -> None:
        found = assess_height_check(check((496.0, 486.0, 504.0, 504.0)), SPECIFICATION)
        corner = found.corner("FL").budget
        own = math.sqrt(corner.standard_uncertainty_mm**2 - corner.standard_uncertainty_of("instrument") ** 2)

        assert found.sides[0].difference_mm == 10.0
        assert found.sides[0].budget.standard_uncertainty_mm == pytest.approx(math.sqrt(2) * own)

    def test_is_not_given_under_another_loading(self) -> None:
        found = assess_height_check(check((466.0, 466.0, 484.0, 484.0)), SPECIFICATION, loaded_as_specified=False)

        assert found.verdict is None
        assert {each.verdict for each in found.corners} == {each.verdict for each in found.sides} == {None}
        assert [each.deviation_mm for each in found.corners] == [-20.0] * 4

    def test_over_all_leaves_out_an_axle_that_is_not_controlled(self) -> None:
        found = assess_height_check(check((500.0, 500.0, 504.0, 504.0)), REAR_ONLY)

        assert found.corner("FL").verdict == "outside"
        assert found.verdict == "within"


class TestDocument:
    def test_rounds_once_and_has_every_corner(self) -> None:
        document = height_check_as_dict(assess_height_check(check(), SPECIFICATION))

        assert list(document["corners"]) == list(CORNERS)
        assert document["verdict"] == document["corners"]["FL"]["verdict"] == "within"
        assert document["corners"]["FL"]["standard_uncertainty_mm"] == 1.5
        assert [part["component"] for part in document["sides"]["rear"]["budget"]] == [
            "repeatability",
            "settling",
            "resolution",
            "mark_placement",
        ]

    def test_without_a_specification_has_the_same_members_with_nothing_judged(self) -> None:
        judged = height_check_as_dict(assess_height_check(check(), SPECIFICATION))
        plain = heights_as_dict(dict.fromkeys(CORNERS, (480.0, 481.0)))

        assert plain["corners"]["FL"].keys() == judged["corners"]["FL"].keys()
        assert plain["corners"]["FL"]["mean_mm"] == 480.5
        assert plain["corners"]["FL"]["verdict"] is plain["verdict"] is None

    def test_shows_the_figures_of_the_assessment(self) -> None:
        read = RoundMeasurement(
            ((492.0, 496.0, 494.0, 494.0), (487.0,), (504.0,), (504.0,)), PRIOR_REPEATABILITY, (TAPE,)
        )
        found = assess_height_check(read, SPECIFICATION)
        corner = height_check_as_dict(found)["corners"]["FL"]
        side = height_check_as_dict(found)["sides"]["front"]

        assert (corner["readings"], corner["estimator"], corner["adjustable"]) == (4, "median", True)
        assert (corner["mean_mm"], corner["target_mm"], corner["deviation_mm"]) == (494.0, 486.0, 8.0)
        assert corner["tolerance_mm"] == 6.0
        assert corner["budget"][0]["component"] == "repeatability"
        assert corner["expanded_uncertainty_mm"] == round(found.corners[0].budget.expanded_uncertainty_mm, 2)
        assert (side["difference_mm"], side["limit_mm"], side["verdict"], side["adjustable"]) == (
            7.0,
            8.0,
            "undecided",
            True,
        )
