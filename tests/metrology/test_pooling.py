"""Pooling of rounds: weighted mean and budget, against an independent uncertainty library and by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from GTC import ureal  # type: ignore[import-untyped]

from calibration.metrology.errors import MetrologyError
from calibration.metrology.pooling import CornerRound, RoundMeasurement, corner_rounds, pool, pool_corner
from calibration.metrology.readings import Repeatability
from calibration.metrology.uncertainty import CalibrationCertificate, Instrument
from tests.metrology.builders import OTHER_TAPE, TAPE, round_off_by

SETTLING_MM = 1.5
TAPE_MM = 0.5 / math.sqrt(3)


def corner_round(value_mm: float, *, readings: int = 2, spread_mm: float = 1.0, freedom: int = 12) -> CornerRound:
    return CornerRound(
        value_mm=value_mm,
        readings=readings,
        estimator="mean",
        repeatability_factor=1.0,
        repeatability=Repeatability(spread_mm, freedom),
        resolution_mm=1.0,
        instrument_standard_uncertainty_mm=TAPE_MM,
        one_instrument=True,
    )


class TestOneRound:
    def test_has_the_five_components_of_the_design(self) -> None:
        budget = pool_corner([corner_round(497.5)], SETTLING_MM).budget
        assert [(part.name, part.degrees_of_freedom) for part in budget.components] == [
            ("repeatability", 12),
            ("settling", math.inf),
            ("resolution", math.inf),
            ("mark_placement", math.inf),
            ("instrument", math.inf),
        ]
        assert [part.standard_uncertainty_mm for part in budget.components] == pytest.approx(
            [1 / math.sqrt(2), 1.5 / math.sqrt(3), 1 / math.sqrt(12), 1 / math.sqrt(3), 0.5 / math.sqrt(3)]
        )

    def test_says_what_is_common_to_rounds_and_sides(self) -> None:
        budget = pool_corner([corner_round(497.5)], SETTLING_MM).budget
        assert [part.name for part in budget.components if part.common_to_rounds] == [
            "mark_placement",
            "instrument",
        ]
        assert [part.name for part in budget.components if part.common_to_sides] == ["instrument"]

    def test_is_the_worked_example_of_the_interface(self) -> None:
        # Common example of the project, no published source; recomputed by hand: √1.75 mm, 147 and t = 1.976.
        budget = pool_corner([corner_round(497.5)], SETTLING_MM).budget
        assert budget.standard_uncertainty_mm == pytest.approx(math.sqrt(1.75))
        assert budget.degrees_of_freedom == 147
        assert round(budget.expanded_uncertainty_mm, 2) == 2.61

    def test_taken_as_a_median_has_a_larger_repeatability(self) -> None:
        four = corner_round(497.5, readings=4)
        median = replace(four, estimator="median", repeatability_factor=1.25)
        pooled = [pool_corner([each], SETTLING_MM) for each in (four, median)]
        spreads = [each.budget.standard_uncertainty_of("repeatability") for each in pooled]
        assert spreads == pytest.approx([0.5, 0.625])
        assert [each.estimator for each in pooled] == ["mean", "median"]


class TestSeveralRounds:
    def test_of_equal_worth_give_their_plain_mean(self) -> None:
        pooled = pool_corner([corner_round(497.0), corner_round(498.0), corner_round(500.0)], SETTLING_MM)
        assert pooled.mean_mm == pytest.approx((497 + 498 + 500) / 3)
        assert (pooled.readings, pooled.rounds) == (6, 3)

    def test_lower_repeatability_by_all_readings_and_settling_by_the_rounds(self) -> None:
        one = pool_corner([corner_round(497.0)], SETTLING_MM).budget
        three = pool_corner([corner_round(497.0)] * 3, SETTLING_MM).budget
        falls = {
            part.name: part.standard_uncertainty_mm / one.standard_uncertainty_of(part.name)
            for part in three.components
        }
        assert falls["repeatability"] == pytest.approx(1 / math.sqrt(3))
        assert falls["settling"] == pytest.approx(1 / math.sqrt(3))
        assert {falls[name] for name in ("resolution", "mark_placement", "instrument")} == {1.0}

    def test_of_unequal_worth_are_weighted_by_their_inverse_variance(self) -> None:
        rounds = [corner_round(497.0, readings=2), corner_round(500.0, readings=6, spread_mm=0.8)]
        variances = [each.repeatability_mm**2 + SETTLING_MM**2 / 3 for each in rounds]
        weights = [1 / value / sum(1 / other for other in variances) for value in variances]
        heights = [
            ureal(each.value_mm, each.repeatability_mm) + ureal(0, SETTLING_MM / math.sqrt(3)) for each in rounds
        ]
        common = ureal(0, 1 / math.sqrt(12)) + ureal(0, 1 / math.sqrt(3)) + ureal(0, TAPE_MM)
        expected = weights[0] * heights[0] + weights[1] * heights[1] + common
        pooled = pool_corner(rounds, SETTLING_MM)
        assert pooled.mean_mm == pytest.approx(expected.x)
        assert pooled.budget.standard_uncertainty_mm == pytest.approx(expected.u)
        inverse_sum = 1 / math.sqrt(sum(1 / value for value in variances))
        own = [pooled.budget.standard_uncertainty_of(name) for name in ("repeatability", "settling")]
        assert math.hypot(*own) == pytest.approx(inverse_sum)

    def test_count_the_smallest_degrees_of_freedom_and_the_coarsest_instrument(self) -> None:
        fine = replace(corner_round(497.0, freedom=20), resolution_mm=0.5, instrument_standard_uncertainty_mm=0.1)
        budget = pool_corner([fine, corner_round(497.0, freedom=9)], SETTLING_MM).budget
        assert budget.components[0].degrees_of_freedom == 9
        assert budget.standard_uncertainty_of("resolution") == pytest.approx(1 / math.sqrt(12))
        assert budget.standard_uncertainty_of("instrument") == pytest.approx(TAPE_MM)

    def test_with_one_median_among_them_say_median(self) -> None:
        median = replace(corner_round(497.0, readings=4), estimator="median", repeatability_factor=1.25)
        assert pool_corner([median, corner_round(497.0)], SETTLING_MM).estimator == "median"

    def test_share_the_tape_between_sides_only_if_every_round_had_one(self) -> None:
        mixed = replace(corner_round(497.0), one_instrument=False)
        budget = pool_corner([corner_round(497.0), mixed], SETTLING_MM).budget
        assert not any(part.common_to_sides for part in budget.components)

    @pytest.mark.parametrize("settling", [-0.1, math.nan, math.inf])
    def test_need_a_possible_settling(self, settling: float) -> None:
        with pytest.raises(MetrologyError, match="settling_mm"):
            pool_corner([corner_round(497.0)], settling)

    def test_need_at_least_one(self) -> None:
        with pytest.raises(MetrologyError, match="at least one"):
            pool_corner([], SETTLING_MM)


class TestRoundMeasurement:
    def test_takes_the_coarsest_of_its_instruments(self) -> None:
        rule = Instrument("rule", 0.5, CalibrationCertificate(0.2, 2.0))
        measured = round_off_by((0, 0, 0, 0), instruments=(rule, TAPE))
        assert measured.resolution_mm == 1.0
        contribution = corner_rounds([measured])[0][0]
        assert contribution.instrument_standard_uncertainty_mm == pytest.approx(TAPE_MM)
        assert contribution.one_instrument is False

    def test_knows_one_tape_from_two_of_a_kind(self) -> None:
        assert round_off_by((0, 0, 0, 0), instruments=(TAPE, TAPE)).one_instrument
        assert not round_off_by((0, 0, 0, 0), instruments=(TAPE, OTHER_TAPE)).one_instrument

    def test_judges_each_corner_by_the_repeat_rule(self) -> None:
        measured = RoundMeasurement(
            ((497.0, 498.0), (497.0, 501.0), (500.0,), (500.0, 500.0, 512.0, 501.0)),
            Repeatability(1.0, 8),
            (TAPE,),
        )
        assert [each.repeats_wanted for each in measured.estimates()] == [0, 2, 0, 0]
        assert [each.estimator for each in measured.estimates()] == ["mean", "mean", "mean", "median"]
        assert [corner.mean_mm for corner in pool([measured], SETTLING_MM)] == [497.5, 499.0, 500.0, 500.5]

    def test_takes_the_permissible_error_at_the_height_measured(self) -> None:
        tall = RoundMeasurement(((999.0,), (1000.0,), (1001.0,), (2000.0,)), Repeatability(1.0, 8), (TAPE,))
        errors = [
            corner.budget.standard_uncertainty_of("instrument") * math.sqrt(3) for corner in pool([tall], SETTLING_MM)
        ]
        assert errors == pytest.approx([0.5, 0.5, 0.7, 0.7])

    def test_refuses_a_vehicle_without_four_corners_and_a_round_without_instrument(self) -> None:
        complete = round_off_by((0, 0, 0, 0))
        with pytest.raises(MetrologyError, match="four corners"):
            replace(complete, readings_mm=complete.readings_mm[:3])
        with pytest.raises(MetrologyError, match="at least one instrument"):
            replace(complete, instruments=())

    def test_refuses_a_corner_without_readings_when_it_is_pooled(self) -> None:
        complete = round_off_by((0, 0, 0, 0))
        with pytest.raises(MetrologyError, match="readings_mm"):
            pool([replace(complete, readings_mm=((), *complete.readings_mm[1:]))], SETTLING_MM)

    def test_is_repeated_by_two_readings_that_need_no_median(self) -> None:
        measured = RoundMeasurement(((500.0, 500.0, 512.0, 501.0),) * 4, Repeatability(1.0, 8), (TAPE,))
        first = corner_rounds([measured])[0][0]
        again = first.repeated()
        assert (first.estimator, first.readings, first.repeatability_factor) == ("median", 4, 1.25)
        assert again == replace(first, readings=2, estimator="mean", repeatability_factor=1.0)
