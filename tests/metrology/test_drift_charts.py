"""The charts against the handbook's worked chart, and their constants against the run lengths they promise."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from calibration.metrology.drift_charts import (
    chart_rules,
    clipped_square_distribution,
    next_scatter,
    next_sums,
    scatter_reference_value,
)
from calibration.metrology.errors import MetrologyError
from calibration.metrology.run_length import markov_run_length, two_sided_run_length
from tests.metrology.reference import reference_json, reference_rows


def test_the_sums_are_those_of_the_handbooks_chart() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.3: every row, both sides, and the group of the first signal."""
    chart = reference_json("nist_charts.json")["cusum"]
    high, low, signals = np.zeros(1), np.zeros(1), []
    for row in reference_rows("nist_cusum.csv"):
        high, low = next_sums(high, low, np.array([float(row["mean"]) - chart["target"]]), chart["k"])
        assert high[0] == pytest.approx(float(row["S_hi_recomputed"]), abs=1e-9)
        assert low[0] == pytest.approx(float(row["S_lo_recomputed"]), abs=1e-9)
        assert high[0] == pytest.approx(float(row["S_hi_published"]), abs=0.00501)
        signals += [int(row["group"])] if max(high[0], low[0]) > chart["h"] else []
    assert signals == list(range(chart["first_signal_group"], 21))


def test_constants_give_the_run_length_in_vehicle_years_over_four_corners() -> None:
    """Six checks a year: a false step in 250 vehicle-years, false scatter in 1000."""
    rules = chart_rules()
    a_year = 6 * 4
    steps = two_sided_run_length(1.4, rules.step_interval)
    squares = markov_run_length(clipped_square_distribution(rules.scatter_reference), rules.scatter_interval)
    assert steps / a_year == pytest.approx(250, rel=1e-6)
    assert squares / a_year == pytest.approx(1000, rel=1e-6)
    assert (rules.step_reference, rules.scatter_reference) == (1.4, scatter_reference_value(2.0))


def test_steady_corners_signal_as_seldom_as_the_constants_promise() -> None:
    """Seeded Monte Carlo of both charts with looser constants, so that there are signals to count."""
    rules = chart_rules(1.4, vehicle_years_per_false_step=5.0, vehicle_years_per_false_scatter=5.0)
    rng = np.random.default_rng(82)
    lengths = {"step": np.zeros(6000), "scatter": np.zeros(6000)}
    high, low, scatter = np.zeros(6000), np.zeros(6000), np.zeros(6000)
    runs = {name: np.ones(6000, dtype=bool) for name in lengths}
    while runs["step"].any() or runs["scatter"].any():
        for name, length in lengths.items():
            length += runs[name]
        innovation = rng.normal(size=6000)
        high, low = next_sums(high, low, innovation, rules.step_reference)
        scatter = next_scatter(scatter, innovation, rules.scatter_reference)
        runs["step"] &= np.maximum(high, low) <= rules.step_interval
        runs["scatter"] &= scatter <= rules.scatter_interval
    for length in lengths.values():
        assert length.mean() == pytest.approx(5.0 * 24, abs=4.0 * length.std() / math.sqrt(length.size))


def test_more_checks_a_year_ask_for_a_longer_decision_interval() -> None:
    assert chart_rules(checks_per_year=12.0).step_interval > chart_rules().step_interval


def test_the_reference_of_scatter_is_where_two_normal_likelihoods_meet() -> None:
    """SciPy's normal densities with standard deviations 1 and 2 are equal at z² = k."""
    z = scatter_reference_value(2.0) ** 0.5
    assert stats.norm.pdf(z) == pytest.approx(stats.norm.pdf(z, scale=2.0))


def test_squares_are_distributed_as_scipys_chi_square_up_to_the_clip() -> None:
    distribution = clipped_square_distribution(1.5)
    at = np.array([-1.5, -0.7, 0.0, 3.0, 7.4])
    np.testing.assert_allclose(distribution(at), stats.chi2.cdf(at + 1.5, 1), atol=1e-12)
    assert distribution(np.array([9.0 - 1.5])).tolist() == [1.0]


def test_one_odd_height_counts_at_most_the_clip() -> None:
    assert next_scatter(np.zeros(1), np.array([-50.0]), 1.0).tolist() == [9.0 - 1.0]


def test_constants_that_mean_nothing_are_refused() -> None:
    for name in (
        "step_reference",
        "vehicle_years_per_false_step",
        "vehicle_years_per_false_scatter",
        "checks_per_year",
    ):
        for value in (0.0, math.nan, math.inf):
            with pytest.raises(MetrologyError, match=name):
                chart_rules(**{name: value})
    with pytest.raises(MetrologyError, match="ratio"):
        scatter_reference_value(1.0)


@pytest.mark.parametrize("ratio", [1.2, 1.5, 3.0])
def test_the_scatters_reference_value_is_where_both_scatters_are_as_likely(ratio: float) -> None:
    """Of a squared normal deviate, by SciPy's densities: less speaks for the old scatter, more for the wider one."""
    deviate = math.sqrt(scatter_reference_value(ratio))
    assert stats.norm.logpdf(deviate, scale=ratio) == pytest.approx(stats.norm.logpdf(deviate))
