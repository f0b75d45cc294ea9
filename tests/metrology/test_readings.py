"""Repeatability, the repeat rule and the value taken from repeated readings."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import studentized_range

from calibration.metrology.errors import MetrologyError
from calibration.metrology.readings import (
    CRITICAL_RANGE_FACTORS,
    GROSS_LIMIT_MM,
    MEDIAN_FACTOR,
    PRIOR_REPEATABILITY,
    Repeatability,
    RepeatabilityState,
    estimate,
    height_problem,
    largest_repeatability,
    likely_unit,
    repeat_limit_mm,
    repeatability,
    with_group,
)


class TestRepeatability:
    def test_of_a_person_never_seen_is_the_prior(self) -> None:
        assert repeatability(RepeatabilityState(), 1.0) == PRIOR_REPEATABILITY == Repeatability(1.0, 8)

    def test_is_the_pooled_variance_shrunk_to_the_prior(self) -> None:
        # Independent: NumPy's variance with one degree of freedom less, ISO 5725-2 pooling by hand.
        groups = [[500.0, 501.0], [486.0, 484.0, 485.0], [503.0, 503.0], [490.0, 491.5, 489.0, 490.5]]
        state = RepeatabilityState()
        for group in groups:
            state = with_group(state, group, 1.0)
        weighted = sum((len(group) - 1) * np.var(group, ddof=1) for group in groups)
        freedom = sum(len(group) - 1 for group in groups)
        found = repeatability(state, 1.0)
        assert found.standard_deviation_mm == pytest.approx(math.sqrt((8 * 1.0 + weighted) / (8 + freedom)))
        assert found.degrees_of_freedom == 8 + freedom == 15
        assert (state.groups, state.slips) == (4, 0)

    def test_comes_close_to_the_truth_after_many_groups(self) -> None:
        generator = np.random.default_rng(20)
        state = RepeatabilityState()
        for pair in generator.normal(500.0, 0.6, size=(2000, 2)):
            state = with_group(state, [float(value) for value in pair], 0.1)
        found = repeatability(state, 0.1)
        # Standard error of an estimate with 2000 degrees of freedom: 0.6/√4000 = 0.0095.
        assert found.standard_deviation_mm == pytest.approx(0.6, abs=0.04)

    def test_is_never_below_what_the_resolution_can_show(self) -> None:
        state = RepeatabilityState(sum_of_squares_mm2=0.0, degrees_of_freedom=1000, groups=1000)
        assert repeatability(state, 1.0).standard_deviation_mm == pytest.approx(1 / math.sqrt(6))
        assert repeatability(state, 0.1).standard_deviation_mm == pytest.approx(math.sqrt(8 / 1008))

    def test_leaves_a_slip_out_of_the_variance_and_counts_it(self) -> None:
        careful = with_group(RepeatabilityState(), [500.0, 501.0], 1.0)
        slipped = with_group(careful, [500.0, 510.0], 1.0)
        assert slipped.sum_of_squares_mm2 == careful.sum_of_squares_mm2
        assert slipped.degrees_of_freedom == careful.degrees_of_freedom
        assert (slipped.groups, slipped.slips, slipped.slip_rate) == (2, 1, 0.5)

    @pytest.mark.parametrize(("spread", "slips"), [(6.0, 0), (6.1, 1)])
    def test_calls_it_a_slip_only_above_six_standard_deviations(self, spread: float, slips: int) -> None:
        assert with_group(RepeatabilityState(), [500.0, 500.0 + spread], 1.0).slips == slips

    def test_judges_slips_by_what_was_known_before_the_group(self) -> None:
        steady = RepeatabilityState(sum_of_squares_mm2=0.0, degrees_of_freedom=42, groups=42)
        assert repeatability(steady, 0.1).standard_deviation_mm == pytest.approx(math.sqrt(8 / 50))
        assert with_group(steady, [500.0, 503.0], 0.1).slips == 1
        assert with_group(RepeatabilityState(), [500.0, 503.0], 0.1).slips == 0

    def test_has_no_slip_rate_before_the_first_group(self) -> None:
        assert RepeatabilityState().slip_rate is None

    @pytest.mark.parametrize("group", [[], [500.0], [500.0, math.nan], [500.0, math.inf]])
    def test_refuses_a_group_that_repeats_nothing(self, group: list[float]) -> None:
        with pytest.raises(MetrologyError, match="readings_mm"):
            with_group(RepeatabilityState(), group, 1.0)

    @pytest.mark.parametrize("resolution", [0.0, -1.0, math.nan, math.inf])
    def test_refuses_an_impossible_resolution(self, resolution: float) -> None:
        with pytest.raises(MetrologyError, match="resolution_mm"):
            repeatability(RepeatabilityState(), resolution)

    @pytest.mark.parametrize(
        ("deviation", "freedom"), [(0.0, 8), (math.nan, 8), (math.inf, 8), (1.0, 0), (1.0, math.nan)]
    )
    def test_refuses_impossible_values(self, deviation: float, freedom: float) -> None:
        with pytest.raises(MetrologyError):
            Repeatability(deviation, freedom)

    def test_of_several_persons_is_the_largest(self) -> None:
        assert largest_repeatability([Repeatability(0.8, 9), Repeatability(1.2, 30)]) == Repeatability(1.2, 30)
        assert largest_repeatability([Repeatability(1.0, 30), Repeatability(1.0, 9)]) == Repeatability(1.0, 9)

    def test_of_nobody_is_refused(self) -> None:
        with pytest.raises(MetrologyError, match="at least one"):
            largest_repeatability([])


class TestRepeatLimit:
    @pytest.mark.parametrize("readings", range(2, 21))
    def test_factors_are_the_studentized_range(self, readings: int) -> None:
        # ISO 5725-6 factors, tabulated from memory, against SciPy's studentized range distribution.
        exact = studentized_range.ppf(0.95, readings, np.inf)
        assert CRITICAL_RANGE_FACTORS[readings] == round(float(exact), 1)

    def test_table_covers_what_a_round_may_hold(self) -> None:
        assert sorted(CRITICAL_RANGE_FACTORS) == list(range(2, 21))

    def test_scales_with_the_repeatability_and_never_falls_below_two_steps(self) -> None:
        assert repeat_limit_mm(1.5, 1.0) == pytest.approx(4.2)
        assert repeat_limit_mm(0.41, 1.0) == 2.0
        assert repeat_limit_mm(0.41, 0.1) == pytest.approx(1.148)

    @pytest.mark.parametrize("readings", [0, 1, 21])
    def test_refuses_a_number_of_readings_without_factor(self, readings: int) -> None:
        with pytest.raises(MetrologyError, match="2 to 20"):
            repeat_limit_mm(1.0, 1.0, readings)


class TestEstimate:
    def test_of_a_pair_that_agrees_is_its_mean(self) -> None:
        found = estimate([497.0, 498.0], 1.0, 1.0)
        assert (found.value_mm, found.estimator, found.readings) == (497.5, "mean", 2)
        assert (found.disagrees, found.repeats_wanted, found.repeatability_factor) == (False, 0, 1.0)

    def test_of_a_pair_that_disagrees_asks_for_two_more(self) -> None:
        found = estimate([497.0, 500.0], 1.0, 1.0)
        assert (found.disagrees, found.repeats_wanted, found.estimator) == (True, 2, "mean")
        assert (found.range_mm, found.repeat_limit_mm) == (3.0, 2.8)

    def test_counts_a_decimal_difference_equal_to_the_limit_as_agreement(self) -> None:
        assert 500.3 - 497.5 > 2.8  # binary rounding
        assert not estimate([500.3, 497.5], 1.0, 0.1).disagrees
        assert estimate([500.4, 497.5], 1.0, 0.1).disagrees

    def test_of_three_that_disagree_asks_for_one_more(self) -> None:
        assert estimate([497.0, 500.0, 501.0], 1.0, 1.0).repeats_wanted == 1
        assert estimate([497.0, 500.0, 499.0], 1.0, 1.0).repeats_wanted == 0

    def test_of_four_takes_the_mean_while_they_agree(self) -> None:
        found = estimate([497.0, 500.0, 499.0, 499.0], 1.0, 1.0)
        assert (found.value_mm, found.estimator, found.repeats_wanted) == (498.75, "mean", 0)

    def test_of_four_that_disagree_is_the_median_and_less_certain(self) -> None:
        found = estimate([497.0, 507.0, 498.0, 497.0], 1.0, 1.0)
        assert (found.value_mm, found.estimator, found.repeats_wanted) == (497.5, "median", 0)
        assert found.repeatability_factor == MEDIAN_FACTOR

    @pytest.mark.parametrize(("last", "estimator"), [(503.9, "mean"), (504.1, "median")])
    def test_uses_the_factor_for_the_number_of_readings(self, last: float, estimator: str) -> None:
        assert estimate([500.0, 501.0, 502.0, 503.0, last], 1.0, 0.1).estimator == estimator

    def test_of_one_reading_is_that_reading(self) -> None:
        found = estimate([497.0], 1.0, 1.0)
        assert (found.value_mm, found.readings, found.disagrees, found.repeats_wanted) == (497.0, 1, False, 0)

    def test_does_not_depend_on_the_order(self) -> None:
        readings = [497.0, 507.0, 498.0, 499.0, 495.0]
        assert estimate(readings, 1.0, 1.0) == estimate(sorted(readings), 1.0, 1.0)

    def test_median_factor_is_that_of_large_normal_samples(self) -> None:
        # Asymptotic relative efficiency of the median, 2/π, from any statistics handbook.
        assert round(math.sqrt(math.pi / 2), 2) == MEDIAN_FACTOR

    @pytest.mark.parametrize("readings", [[], [math.nan], [497.0, math.inf], [497.0] * 21])
    def test_refuses_readings_it_cannot_use(self, readings: list[float]) -> None:
        with pytest.raises(MetrologyError, match="readings"):
            estimate(readings, 1.0, 1.0)


class TestHeight:
    @pytest.mark.parametrize(
        ("height", "problem"),
        [
            (486.0, None),
            (636.0, None),
            (336.0, None),
            (636.1, "confirm_height"),
            (335.9, "confirm_height"),
            (0.0, "not_positive"),
            (-486.0, "not_positive"),
            (math.nan, "not_positive"),
            (3000.0, "confirm_height"),
            (3000.5, "beyond_instrument"),
        ],
    )
    def test_far_from_target_is_questioned_and_impossible_refused(self, height: float, problem: str | None) -> None:
        assert height_problem(height, 486.0, 3000.0) == problem
        assert GROSS_LIMIT_MM == 150.0

    @pytest.mark.parametrize(
        ("height", "unit"),
        [(19.1, "inch"), (48.6, "centimetre"), (63.6, "centimetre"), (63.7, None), (0.486, "metre"), (0.2, None)],
    )
    def test_in_another_unit_is_recognised(self, height: float, unit: str | None) -> None:
        assert likely_unit(height, 486.0) == unit

    def test_that_fits_two_units_is_taken_for_the_nearer(self) -> None:
        # 15 is 381 mm in inches and 150 mm in centimetres: both within 150 mm of 270 and of 260.
        assert likely_unit(15.0, 270.0) == "inch"
        assert likely_unit(15.0, 260.0) == "centimetre"
