"""Repeatability and slip rate over time, with their confidence intervals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import binomtest, chi2

from calibration.metrology.errors import MetrologyError
from calibration.metrology.reading_history import ReadingGroup, by_period, rate_interval, standard_deviation_interval
from calibration.metrology.readings import RepeatabilityState, with_group, with_slip
from tests.metrology.reference import reference_rows


class TestStandardDeviationInterval:
    @pytest.mark.parametrize("freedom", [10, 60, 100])
    def test_uses_the_published_chi_square_quantiles(self, freedom: int) -> None:
        # Printed tables (source per row in quantiles.csv): both tails where they are printed.
        tails = {0.95: 0.9, 0.975: 0.95, 0.99: 0.98, 0.05: 0.9, 0.025: 0.95, 0.01: 0.98}
        rows = [
            row
            for row in reference_rows("quantiles.csv")
            if (row["distribution"], row["df1"]) == ("chi2", str(freedom))
        ]
        assert rows
        for row in rows:
            p, printed = float(row["cdf_p"]), float(row["published"])
            limits = standard_deviation_interval(1.0, freedom, tails[p])
            assert freedom / limits[0 if p > 0.5 else 1] ** 2 == pytest.approx(printed, abs=6e-4)

    @pytest.mark.parametrize("freedom", [1, 4, 8.5, 200])
    def test_agrees_with_scipy(self, freedom: float) -> None:
        low, high = standard_deviation_interval(0.8, freedom)
        expected = [0.8 * math.sqrt(freedom / chi2.ppf(p, freedom)) for p in (0.975, 0.025)]
        assert [low, high] == pytest.approx(expected, rel=1e-9)

    def test_holds_the_truth_as_often_as_it_says(self) -> None:
        generator = np.random.default_rng(4)
        deviations = generator.normal(0.0, 0.7, size=(2000, 7)).std(axis=1, ddof=1)
        held = [low <= 0.7 <= high for low, high in (standard_deviation_interval(float(s), 6) for s in deviations)]
        # Standard error of a share of 0.95 in 2000: 0.005.
        assert np.mean(held) == pytest.approx(0.95, abs=0.02)

    def test_of_readings_that_never_differed_is_nothing(self) -> None:
        assert standard_deviation_interval(0.0, 5) == (0.0, 0.0)

    @pytest.mark.parametrize(
        ("deviation", "freedom", "confidence"),
        [(-0.1, 5, 0.95), (math.nan, 5, 0.95), (1.0, 0, 0.95), (1.0, math.inf, 0.95), (1.0, 5, 0.0), (1.0, 5, 1.0)],
    )
    def test_refuses_impossible_arguments(self, deviation: float, freedom: float, confidence: float) -> None:
        with pytest.raises(MetrologyError):
            standard_deviation_interval(deviation, freedom, confidence)


class TestRateInterval:
    @pytest.mark.parametrize(("events", "trials"), [(0, 10), (1, 10), (10, 10), (3, 250), (0, 1), (1, 1)])
    @pytest.mark.parametrize("confidence", [0.9, 0.95])
    def test_is_the_exact_one_of_scipy(self, events: int, trials: int, confidence: float) -> None:
        exact = binomtest(events, trials).proportion_ci(confidence, method="exact")
        assert rate_interval(events, trials, confidence) == pytest.approx((exact.low, exact.high), rel=1e-9, abs=1e-12)

    def test_of_nothing_in_ten_ends_where_ten_misses_have_the_chance_of_the_tail(self) -> None:
        # By hand: (1 - p)^10 = 0.025.
        assert rate_interval(0, 10)[1] == pytest.approx(1 - 0.025**0.1, rel=1e-9)

    @pytest.mark.parametrize(
        ("events", "trials", "confidence"), [(0, 0, 0.95), (-1, 5, 0.95), (6, 5, 0.95), (1, 5, 1.0)]
    )
    def test_refuses_impossible_arguments(self, events: int, trials: int, confidence: float) -> None:
        with pytest.raises(MetrologyError):
            rate_interval(events, trials, confidence)


JANUARY = [
    ReadingGroup("01", (500.0, 501.0)),
    ReadingGroup("01", (486.0, 484.0, 485.0, 487.0)),
    ReadingGroup("01", (500.0, 530.0)),
]
FEBRUARY = [ReadingGroup("02", (503.0, 503.0)), ReadingGroup("02", (503.0, 504.0), struck=True)]


class TestByPeriod:
    def test_is_each_period_s_own_pooled_variance(self) -> None:
        # ISO 5725-2 pooling, by NumPy's variance.
        january, february = by_period([*JANUARY, *FEBRUARY], 1.0)
        pooled = (np.var([500.0, 501.0], ddof=1) + 3 * np.var([486.0, 484.0, 485.0, 487.0], ddof=1)) / 4
        assert january.standard_deviation_mm == pytest.approx(math.sqrt(pooled))
        assert (january.period, january.groups, january.slips, january.degrees_of_freedom) == ("01", 3, 1, 4)
        assert january.standard_deviation_interval_mm == standard_deviation_interval(
            january.standard_deviation_mm or 0.0, 4
        )
        assert (february.period, february.groups, february.slips, february.degrees_of_freedom) == ("02", 2, 1, 1)
        assert february.standard_deviation_mm == 0.0

    def test_gives_the_slip_rate_with_its_exact_interval(self) -> None:
        january, february = by_period([*JANUARY, *FEBRUARY], 1.0)
        assert (january.slip_rate, january.slip_rate_interval) == (1 / 3, rate_interval(1, 3))
        assert (february.slip_rate, february.slip_rate_interval) == (0.5, rate_interval(1, 2))

    def test_adds_up_to_the_running_sums_that_rounds_are_frozen_with(self) -> None:
        state = RepeatabilityState()
        for group in [*JANUARY, *FEBRUARY]:
            state = with_slip(state) if group.struck else with_group(state, group.readings_mm, 1.0)
        found = by_period([*JANUARY, *FEBRUARY], 1.0)
        assert sum(each.groups for each in found) == state.groups
        assert sum(each.slips for each in found) == state.slips
        assert sum(each.degrees_of_freedom for each in found) == state.degrees_of_freedom
        squares = sum(each.degrees_of_freedom * (each.standard_deviation_mm or 0.0) ** 2 for each in found)
        assert squares == pytest.approx(state.sum_of_squares_mm2)

    def test_tells_slips_by_what_was_known_before(self) -> None:
        group = [ReadingGroup("01", (500.0, 503.0))]
        steady = RepeatabilityState(sum_of_squares_mm2=0.0, degrees_of_freedom=42, groups=42)
        assert by_period(group, 0.1)[0].slips == 0
        (after_steady,) = by_period(group, 0.1, steady)
        assert (after_steady.groups, after_steady.slips) == (1, 1)

    def test_what_an_earlier_period_taught_tells_slips_in_a_later_one(self) -> None:
        steady = [ReadingGroup("01", (500.0, 500.0))] * 42
        assert by_period([*steady, ReadingGroup("02", (500.0, 503.0))], 0.1)[1].slips == 1

    def test_of_slips_alone_has_no_standard_deviation(self) -> None:
        (found,) = by_period([ReadingGroup("01", (500.0, 530.0))], 1.0)
        assert (found.standard_deviation_mm, found.standard_deviation_interval_mm, found.slip_rate) == (None, None, 1.0)

    def test_of_no_groups_is_nothing(self) -> None:
        assert by_period([], 1.0) == ()

    def test_refuses_a_period_that_comes_again(self) -> None:
        with pytest.raises(MetrologyError, match="'01'"):
            by_period([*JANUARY, *FEBRUARY, *JANUARY], 1.0)

    def test_refuses_a_group_that_repeats_nothing(self) -> None:
        with pytest.raises(MetrologyError, match="readings_mm"):
            by_period([ReadingGroup("01", (500.0,))], 1.0)
