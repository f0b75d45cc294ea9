"""The filter against statsmodels (state space), batch generalised least squares and the handbook's chart."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from statsmodels.tsa.statespace.kalman_filter import KalmanFilter
from statsmodels.tsa.statespace.structural import UnobservedComponents

from calibration.metrology.drift_charts import ChartRules, chart_rules
from calibration.metrology.drift_filter import (
    after_event,
    after_write,
    measured,
    predicted,
    put_right,
)
from calibration.metrology.drift_state import (
    COLUMNS,
    DAYS_PER_YEAR,
    DriftStates,
    Wander,
    fresh_states,
    judged_variance,
    side_variance,
    states_from_table,
)
from calibration.metrology.errors import MetrologyError
from tests.metrology.reference import reference_json, reference_rows

PLAIN = Wander(0.4, 0.7, math.inf)
"""Without the limit on innovations this is the Kalman filter of the textbooks."""
NO_STEPS = ChartRules(10.0, 1e9, 10.0, 1e9)


def follow(
    days: np.ndarray, heights: np.ndarray, variances: np.ndarray, wander: Wander = PLAIN, prior: float = 9.0
) -> DriftStates:
    states = fresh_states(1, 0.3, prior)
    for day, height, variance in zip(days, heights, variances, strict=True):
        states = measured(states, day, np.array([height]), variance, wander=wander, rules=NO_STEPS)
    return states


def series(number: int, length: int = 9) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng([83, number])
    days = np.cumsum(rng.uniform(3.0, 120.0, length))
    return days, rng.normal(0.0, 3.0, length), rng.uniform(0.5, 3.0, length)


@pytest.mark.parametrize("number", range(6))
def test_level_rate_and_covariance_are_those_of_statsmodels_for_irregular_intervals(number: int) -> None:
    days, heights, variances = series(number)
    years = np.diff(days, append=days[-1]) / DAYS_PER_YEAR
    model = KalmanFilter(k_endog=1, k_states=2, k_posdef=2)
    model.bind(heights[:, None].copy())
    n = days.size
    model["design"] = np.array([[1.0, 0.0]])
    model["selection"] = np.eye(2)
    model["obs_cov"] = variances[None, None, :]
    model["transition"] = np.array([[np.ones(n), years], [np.zeros(n), np.ones(n)]])
    q, r = PLAIN.level, PLAIN.rate
    model["state_cov"] = np.array(
        [[q * years + r * years**3 / 3.0, r * years**2 / 2.0], [r * years**2 / 2.0, r * years]]
    )
    # The first height sets the level exactly; the filter of statsmodels starts just before it.
    model.initialize_known(np.array([0.0, 0.3]), np.diag([1e9, 9.0]))
    result = model.filter()
    states = follow(days, heights, variances)
    np.testing.assert_allclose([states.level[0], states.rate[0]], result.filtered_state[:, -1], rtol=1e-6, atol=1e-6)
    covariance = result.filtered_state_cov[:, :, -1]
    mine = [[states.level_variance[0], states.covariance[0]], [states.covariance[0], states.rate_variance[0]]]
    np.testing.assert_allclose(mine, covariance, rtol=1e-5, atol=1e-6)


def test_equal_intervals_give_the_unobserved_components_of_statsmodels() -> None:
    """Local linear trend, yearly, rate constant; its own exact diffuse start for the level, ours a wide rate."""
    heights = np.random.default_rng(84).normal(0.0, 2.0, 12)
    model = UnobservedComponents(heights, "lltrend")
    result = model.filter([1.69, 0.4, 0.0])
    states = follow(np.arange(12) * DAYS_PER_YEAR, heights, np.full(12, 1.69), Wander(0.4, 0.0, math.inf), prior=1e9)
    np.testing.assert_allclose([states.level[0], states.rate[0]], result.filtered_state[:, -1], atol=1e-6)
    np.testing.assert_allclose(states.level_variance[0], result.filtered_state_cov[0, 0, -1], atol=1e-5)


@pytest.mark.parametrize("number", range(4))
def test_a_steady_drift_is_the_line_of_generalised_least_squares_also_over_a_write(number: int) -> None:
    """Level, rate (prior 0.3, variance 9) and the change at the write are one batch problem."""
    days, heights, variances = series(number)
    steady, change, change_variance = Wander(0.0, 0.0, math.inf), -4.0, 2.5
    states = follow(days[:5], heights[:5], variances[:5], steady)
    states = after_write(states, np.array([change]), change_variance)
    for day, height, variance in zip(days[5:], heights[5:], variances[5:], strict=True):
        states = measured(states, day, np.array([height]), variance, wander=steady, rules=NO_STEPS)
    design = np.column_stack([np.ones(9), (days - days[-1]) / DAYS_PER_YEAR, np.arange(9) >= 5])
    # The level wanted is the last one: without the change before the write.
    design[:, 2] -= 1.0
    precision = design.T @ np.diag(1.0 / variances) @ design + np.diag([0.0, 1.0 / 9.0, 1.0 / change_variance])
    information = design.T @ (heights / variances) + np.array([0.0, 0.3 / 9.0, change / change_variance])
    covariance = np.linalg.inv(precision)
    np.testing.assert_allclose([states.level[0], states.rate[0]], (covariance @ information)[:2], atol=1e-9)
    mine = [states.level_variance[0], states.covariance[0], states.rate_variance[0]]
    np.testing.assert_allclose(mine, covariance[[0, 0, 1], [0, 1, 1]], atol=1e-9)


def test_a_corner_that_cannot_drift_is_followed_by_the_handbooks_moving_average() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.4: in its steady state a local level is an EWMA, its gain the factor 0.3."""
    chart = reference_json("nist_charts.json")["ewma"]
    factor = chart["lambda"]
    wander = Wander(factor**2 / (1.0 - factor), 0.0, math.inf)
    states = replace(
        measured(fresh_states(1, 0.0, 0.0), 0.0, np.array([chart["ewma_0"]]), 1.0), level_variance=np.array([factor])
    )
    for row in reference_rows("nist_ewma.csv"):
        day = int(row["i"]) * DAYS_PER_YEAR
        states = measured(states, day, np.array([float(row["x"])]), 1.0, wander=wander, rules=NO_STEPS)
        assert states.level[0] == pytest.approx(float(row["ewma_recomputed"]), abs=1e-6)
        assert states.level[0] == pytest.approx(float(row["ewma_published"]), abs=0.0051)


def test_without_odd_heights_the_limit_on_innovations_changes_nothing() -> None:
    days, variances = np.arange(6) * 60.0, np.full(6, 1.69)
    calm = np.array([0.5, 0.2, 1.0, 0.8, 1.4, 1.1])
    limited, plain = (follow(days, calm, variances, Wander(0.4, 0.7, limit)) for limit in (2.5, math.inf))
    np.testing.assert_array_equal(limited.table(), plain.table())


def test_an_odd_height_moves_level_and_rate_by_the_limit_and_no_more() -> None:
    before = follow(np.arange(3) * 60.0, np.zeros(3), np.full(3, 1.69))
    wander = Wander(0.4, 0.7, 2.0)
    there = predicted(before, 180.0, wander)
    after = measured(before, 180.0, np.array([-30.0]), 1.69, wander=wander, rules=NO_STEPS)
    deviation = math.sqrt(there.level_variance[0] + 1.69)
    gain = there.level_variance[0] / deviation**2
    assert after.level[0] == pytest.approx(there.level[0] - gain * 2.0 * deviation)
    assert after.rate[0] == pytest.approx(there.rate[0] - there.covariance[0] / deviation**2 * 2.0 * deviation)


def test_a_corner_of_which_nothing_else_is_said_wanders_as_healthy_ones_do() -> None:
    """By hand, a year after one measurement of 1 mm²: 0.1 mm² of level, 0.5 of rate, rate known to 4.5 mm a year."""
    there = predicted(measured(fresh_states(1), 0.0, np.array([0.0]), 1.0), 365.25)
    found = [there.level_variance[0], there.covariance[0], there.rate_variance[0]]
    assert found == pytest.approx([1.0 + 4.5**2 + 0.1 + 0.5 / 3.0, 4.5**2 + 0.5 / 2.0, 4.5**2 + 0.5])
    odd = measured(there, 365.25, np.array([40.0]), 1.69, rules=NO_STEPS)
    assert odd.level[0] == pytest.approx(2.5 * found[0] / math.sqrt(found[0] + 1.69))


def test_innovations_of_simulated_corners_are_standard_normal_and_uncorrelated() -> None:
    """Corners drawn from the model itself; what the charts see is then z, mean 0 and variance 1 (3 sigma bands)."""
    rng, n = np.random.default_rng(85), 20000
    wander, sums = Wander(0.5, 2.0, math.inf), []
    level, rate = rng.normal(0.0, 2.0, n), rng.normal(0.3, 3.0, n)
    states = fresh_states(n, 0.3, 9.0)
    rules = replace(NO_STEPS, step_reference=0.0)
    for day in (0.0, 50.0, 170.0, 200.0):
        states = measured(states, day, level + rng.normal(0.0, 1.3, n), 1.69, wander=wander, rules=rules)
        # With a reference value of 0 and the sums started from a large value, a sum grows by z itself.
        sums.append(states.cusum_high.copy())
        states = replace(states, cusum_high=np.full(n, 100.0))
        years = {0.0: 50.0, 50.0: 120.0, 170.0: 30.0, 200.0: 0.0}[day] / DAYS_PER_YEAR
        together = np.array([[years**3 / 3.0, years**2 / 2.0], [years**2 / 2.0, years]]) * wander.rate
        noise = rng.multivariate_normal([0.0, 0.0], together, n)
        level = level + rate * years + rng.normal(0.0, math.sqrt(wander.level * years), n) + noise[:, 0]
        rate = rate + noise[:, 1]
    z = np.array(sums[1:]) - 100.0
    assert np.abs(z.mean(axis=1)).max() < 3.5 / math.sqrt(n)
    assert np.abs(z.var(axis=1) - 1.0).max() < 3.5 * math.sqrt(2.0 / n)
    for first, second in ((0, 1), (1, 2)):
        assert abs(float(np.mean(z[first] * z[second]))) < 3.5 / math.sqrt(n)


class TestSteps:
    def quiet_then(self, *heights: float) -> DriftStates:
        states = fresh_states(1)
        for number, height in enumerate((0.0, 0.3, -0.2, 0.1, *heights)):
            states = measured(states, 60.0 * number, np.array([height]), 1.69)
        return states

    @pytest.mark.parametrize("side", [1.0, -1.0])
    def test_a_step_is_noted_with_its_day_and_the_level_follows(self, side: float) -> None:
        states = self.quiet_then(side * 9.0)
        assert states.step_day.tolist() == [240.0]
        assert side * states.step_mm[0] == pytest.approx(9.0, abs=0.5)
        assert side * states.level[0] == pytest.approx(9.0, abs=0.5)
        assert (states.cusum_high[0], states.cusum_low[0]) == (0.0, 0.0)

    def test_the_size_of_a_step_is_how_far_the_level_moved(self) -> None:
        states = fresh_states(1)
        for number, height in enumerate((5.0, 5.0, 5.0, 5.0, -5.0)):
            states = measured(states, 60.0 * number, np.array([height]), 1.69)
        assert states.step_mm[0] == pytest.approx(-10.0, abs=0.6)

    def test_the_largest_step_is_followed_whole(self) -> None:
        assert self.quiet_then(60.0).level[0] == pytest.approx(60.0, abs=2.0)

    def test_after_a_step_the_level_is_as_uncertain_as_its_one_measurement(self) -> None:
        states, before = self.quiet_then(9.0), predicted(self.quiet_then(), 240.0)
        gain = (before.level_variance + 64.0) / (before.level_variance + 64.0 + 1.69)
        assert states.level_variance[0] == pytest.approx(gain[0] * 1.69)
        assert states.covariance[0] == pytest.approx(before.covariance[0] * (1.0 - gain[0]))
        assert abs(states.rate[0] - before.rate[0]) < 0.7

    def test_a_smaller_move_is_no_step_at_first_but_two_of_them_are(self) -> None:
        assert np.isnan(self.quiet_then(4.6).step_mm[0])
        assert np.isfinite(self.quiet_then(5.2, 8.5).step_mm[0])

    def test_the_step_stays_noted_until_it_is_put_right(self) -> None:
        states = measured(self.quiet_then(9.0), 300.0, np.array([9.0]), 1.69)
        assert states.step_day.tolist() == [240.0]
        dealt_with = put_right(states, np.array([True]))
        assert np.isnan([dealt_with.step_mm[0], dealt_with.step_day[0]]).all()
        assert np.isfinite(put_right(states, np.array([False])).step_mm[0])

    def test_scatter_grows_with_both_signs_and_is_capped(self) -> None:
        rules = chart_rules()
        wild = self.quiet_then(*(8.0, -8.0) * 20)
        assert wild.scatter[0] == pytest.approx(2.0 * rules.scatter_interval)
        assert self.quiet_then().scatter[0] == 0.0


class TestEvents:
    def known(self) -> DriftStates:
        states = measured(fresh_states(2), 0.0, np.array([1.0, 2.0]), 1.69, 0.1)
        return measured(states, 200.0, np.array([4.0, 2.0]), 1.69, 0.1, expanded_uncertainty_mm=2.9)

    def test_an_event_starts_its_corner_afresh_and_no_other(self) -> None:
        states = after_event(self.known(), np.array([True, False]), 0.5, 4.0, 9.0)
        assert states.visits.tolist() == [0.0, 2.0]
        np.testing.assert_array_equal(states.take(slice(0, 1)).table(), fresh_states(1, 0.5, 4.0, 9.0).table())
        np.testing.assert_array_equal(states.take(slice(1, 2)).table(), self.known().take(slice(1, 2)).table())

    def test_a_write_shifts_the_level_keeps_the_rate_and_ends_the_charts(self) -> None:
        before = replace(self.known(), cusum_high=np.full(2, 0.7), cusum_low=np.full(2, 0.6), step_mm=np.full(2, 5.0))
        states = after_write(before, np.array([-3.0, np.nan]), np.array([0.5, np.nan]))
        assert states.level.tolist() == [before.level[0] - 3.0, before.level[1]]
        assert states.level_variance.tolist() == [before.level_variance[0] + 0.5, before.level_variance[1]]
        for name in ("rate", "rate_variance", "covariance", "day", "visits"):
            np.testing.assert_array_equal(getattr(states, name), getattr(before, name))
        assert (states.cusum_high.tolist(), states.cusum_low.tolist()) == ([0.0, 0.7], [0.0, 0.6])
        assert np.isnan(states.step_mm).tolist() == [True, False]
        assert np.isnan(states.last_mm).tolist() == [True, False]

    def test_a_write_before_any_measurement_says_nothing(self) -> None:
        np.testing.assert_array_equal(
            after_write(fresh_states(1), np.array([5.0]), 1.0).table(), fresh_states(1).table()
        )

    def test_a_corner_that_was_not_measured_stays_as_it_was(self) -> None:
        states = measured(self.known(), 300.0, np.array([np.nan, 2.0]), np.array([np.nan, 1.0]))
        np.testing.assert_array_equal(states.take(slice(0, 1)).table(), self.known().take(slice(0, 1)).table())
        assert (states.day[1], states.visits[1], states.last_mm[1]) == (300.0, 3.0, 2.0)

    def test_the_last_measurement_is_kept_with_its_expanded_uncertainty(self) -> None:
        states = self.known()
        assert (states.last_mm[0], states.last_variance[0], states.last_instrument_variance[0]) == (4.0, 1.69, 0.1)
        assert states.last_expanded[0] == 2.9
        assert measured(fresh_states(1), 0.0, np.zeros(1), 1.69).last_expanded[0] == pytest.approx(1.3 * 1.959964)

    def test_a_finite_prior_of_the_level_is_one_more_measurement_of_nought(self) -> None:
        states = measured(fresh_states(1, 0.0, 9.0, 4.0), 0.0, np.array([3.0]), 1.0)
        assert (states.level[0], states.level_variance[0]) == pytest.approx((2.4, 0.8))

    def test_the_first_measurement_is_believed_and_never_charted(self) -> None:
        states = measured(fresh_states(1, 0.0, 9.0, 4.0), 0.0, np.array([30.0]), 1.0)
        assert states.level[0] == pytest.approx(24.0)
        assert (states.cusum_high[0], states.scatter[0]) == (0.0, 0.0)
        assert np.isnan(states.step_mm[0])


def test_a_year_has_365_and_a_quarter_days() -> None:
    states = measured(fresh_states(1, 1.0, 0.0), 0.0, np.array([0.0]), 1.0)
    assert predicted(states, 1461.0).level.tolist() == [4.0]


def test_states_are_their_stored_rows() -> None:
    states = measured(fresh_states(3), 0.0, np.array([1.0, np.nan, 2.0]), 1.0)
    table = states.table()
    assert table.shape == (3, len(COLUMNS))
    np.testing.assert_array_equal(states_from_table(table).table(), table)


def test_the_sweep_of_many_corners_is_that_of_each() -> None:
    rng = np.random.default_rng(86)
    days, heights = np.cumsum(rng.uniform(20, 90, (6, 5)), axis=0), rng.normal(0, 5, (6, 5))
    together = fresh_states(5)
    for day, height in zip(days, heights, strict=True):
        together = measured(together, day, height, 1.69)
    for i in range(5):
        alone = fresh_states(1)
        for day, height in zip(days[:, i], heights[:, i], strict=True):
            alone = measured(alone, float(day), np.array([height]), 1.69)
        np.testing.assert_allclose(together.take(slice(i, i + 1)).table(), alone.table(), rtol=1e-12)


def test_an_instrument_that_measures_every_time_does_not_average_out() -> None:
    """Simulated: a thousand visits with one tape leave its own variance; two sides of a visit do not even that."""
    assert judged_variance(np.array([0.0]), np.array([0.25]), np.array([2.0])).tolist() == [0.5]
    assert judged_variance(np.array([2.0]), np.array([0.25]), np.array([2.0])).tolist() == [2.0]
    one = measured(fresh_states(1), 0.0, np.array([0.0]), 2.0, 0.5)
    other = measured(fresh_states(1), 0.0, np.array([0.0]), 1.0, 0.5)
    assert side_variance(one, other).tolist() == [1.5 + 0.5]


def test_what_cannot_be_is_refused() -> None:
    states = measured(fresh_states(1), 10.0, np.array([0.0]), 1.0)
    with pytest.raises(MetrologyError, match="day"):
        measured(states, 9.0, np.array([0.0]), 1.0)
    for variance in (0.0, -1.0, math.nan, math.inf):
        with pytest.raises(MetrologyError, match="variance_mm2"):
            measured(states, 20.0, np.array([0.0]), variance)
    with pytest.raises(MetrologyError, match="deviation_mm"):
        measured(states, 20.0, np.array([math.inf]), 1.0)
    for instrument in (-0.1, 1.1):
        with pytest.raises(MetrologyError, match="instrument_variance_mm2"):
            measured(states, 20.0, np.array([0.0]), 1.0, instrument)
    with pytest.raises(MetrologyError, match="change_variance_mm2"):
        after_write(states, np.array([1.0]), -1.0)
    with pytest.raises(MetrologyError, match="prior_rate_variance"):
        fresh_states(1, 0.0, -1.0)
    with pytest.raises(MetrologyError, match="prior_level_variance"):
        fresh_states(1, 0.0, 1.0, 0.0)
    with pytest.raises(MetrologyError, match="table"):
        states_from_table(np.zeros((2, 3)))
    for wander in ((-0.1, 0.0, 1.0), (math.inf, 0.0, 1.0), (0.0, math.nan, 1.0), (0.0, 0.0, 0.0)):
        with pytest.raises(MetrologyError):
            Wander(*wander)
