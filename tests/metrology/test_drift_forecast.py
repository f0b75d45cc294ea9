"""Forecasts against SciPy's normal distributions and simulated corners (figures invented)."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from calibration.metrology.drift_filter import measured
from calibration.metrology.drift_forecast import (
    HORIZON_DAYS,
    bivariate_normal,
    forecast,
    leaving_bound,
    leaving_dates,
    probability_of_leaving,
)
from calibration.metrology.drift_state import DAYS_PER_YEAR, DriftStates, Wander, fresh_states
from calibration.metrology.errors import MetrologyError

STEADY = Wander(0.0, 0.0, 2.5)
RESTLESS = Wander(1.0, 3.0, 2.5)


def a_state(
    level: float = 2.0, rate: float = 4.0, variances: tuple[float, float, float] = (0.6, 0.8, 4.0), day: float = 100.0
) -> DriftStates:
    """Level, rate and their (co)variances as given; the instrument has no part."""
    states = measured(fresh_states(1), day, np.array([level]), 1.69)
    a, b, c = (np.array([value]) for value in variances)
    return replace(states, rate=np.array([rate]), level_variance=a, covariance=b, rate_variance=c)


@pytest.mark.parametrize("correlation", [-0.95, -0.4, 0.0, 0.3, 0.99])
@pytest.mark.parametrize(
    "at", [(0.0, 0.0), (0.0, 1.0), (-1.2, 0.4), (2.0, 1.5), (-0.7, -2.1), (0.0, -1.0), (3.0, -3.0)]
)
def test_two_normal_variables_are_together_as_probable_as_scipy_says(
    at: tuple[float, float], correlation: float
) -> None:
    expected = stats.multivariate_normal(cov=[[1.0, correlation], [correlation, 1.0]]).cdf(at)
    found = bivariate_normal(np.array(at[0]), np.array(at[1]), np.array(correlation))
    assert float(found) == pytest.approx(expected, abs=2e-7)


def test_a_forecast_is_the_line_with_its_uncertainty() -> None:
    mean, sd = forecast(a_state(), 100.0 + DAYS_PER_YEAR / 2.0, wander=RESTLESS)
    assert mean[0] == pytest.approx(4.0)
    assert sd[0] ** 2 == pytest.approx(0.6 + 2 * 0.5 * 0.8 + 0.25 * 4.0 + 1.0 * 0.5 + 3.0 * 0.125 / 3.0)


def test_the_instruments_part_never_averages_out_of_a_forecast() -> None:
    states = replace(a_state(variances=(0.0, 0.0, 0.0)), last_instrument_variance=np.array([0.169]))
    assert forecast(states, 100.0)[1][0] ** 2 == pytest.approx(0.169)
    with_covariance = replace(a_state(), last_instrument_variance=np.array([0.169]))
    at = 100.0 + DAYS_PER_YEAR
    expected = (0.6 + 2 * 0.8 + 4.0) * 0.9 + 0.169
    assert forecast(with_covariance, at, wander=STEADY)[1][0] ** 2 == pytest.approx(expected)


@pytest.mark.parametrize("wander", [STEADY, RESTLESS])
@pytest.mark.parametrize("level", [2.0, -5.5, 8.0])
def test_the_probability_of_leaving_is_scipys_rectangle(level: float, wander: Wander) -> None:
    states, years = a_state(level), 0.4
    cross = 0.6 + years * 0.8
    then = 0.6 + 2 * years * 0.8 + years**2 * 4.0 + wander.level * years + wander.rate * years**3 / 3.0
    both = stats.multivariate_normal([level, level + 4.0 * years], [[0.6, cross], [cross, then]])
    inside = both.cdf([6.0, 6.0], lower_limit=[-6.0, -6.0])
    found = probability_of_leaving(states, 100.0 + years * DAYS_PER_YEAR, 6.0, wander=wander)
    assert found[0] == pytest.approx(1.0 - inside, abs=3e-6)
    assert leaving_bound(states, 100.0 + years * DAYS_PER_YEAR, 6.0, wander=wander)[0] >= found[0] - 1e-12


def test_the_instruments_part_is_the_same_now_and_then() -> None:
    """SciPy's rectangle: a tenth of each (co)variance is the instrument's, whose 0.169 mm² is in both heights."""
    states = replace(a_state(4.0, 0.0), last_instrument_variance=np.array([0.169]))
    now, cross, then = (0.9 * value + 0.169 for value in (0.6, 0.6 + 0.8, 0.6 + 2.0 * 0.8 + 4.0))
    both = stats.multivariate_normal([4.0, 4.0], [[now, cross], [cross, then]])
    found = probability_of_leaving(states, 100.0 + DAYS_PER_YEAR, 4.5, wander=STEADY)
    assert found[0] == pytest.approx(1.0 - both.cdf([4.5, 4.5], lower_limit=[-4.5, -4.5]), abs=3e-6)


def test_corners_that_move_steadily_leave_as_often_as_they_are_simulated_to() -> None:
    """Seeded; any day up to the date counts, which is what outside now or then must come to."""
    rng = np.random.default_rng(96)
    draws = rng.multivariate_normal([2.0, 4.0], [[0.6, 0.8], [0.8, 4.0]], 40000)
    days = np.linspace(0.0, 1.0, 200)
    left = (np.abs(draws[:, :1] + draws[:, 1:] * days) > 6.0).any(axis=1).mean()
    found = probability_of_leaving(a_state(), 100.0 + DAYS_PER_YEAR, 6.0, wander=STEADY)[0]
    assert found == pytest.approx(left, abs=4.0 * math.sqrt(left * (1.0 - left) / 40000))


def test_dates_are_the_quantiles_of_simulated_crossings() -> None:
    rng = np.random.default_rng(97)
    level, rate = rng.multivariate_normal([2.0, 4.0], [[0.6, 0.8], [0.8, 4.0]], 200000).T
    crossing = np.where(np.abs(level) > 6.0, 0.0, (np.sign(rate) * 6.0 - level) / rate) * DAYS_PER_YEAR + 100.0
    dates = leaving_dates(a_state(), 6.0, wander=STEADY)
    for found, share in ((dates.earliest, 0.1), (dates.expected, 0.5), (dates.latest, 0.9)):
        assert np.mean(crossing <= found[0]) == pytest.approx(share, abs=0.004)


def test_both_limits_count() -> None:
    still = a_state(0.0, 0.0)
    upper_only = 0.5 * probability_of_leaving(still, 400.0, 6.0)[0]
    high = probability_of_leaving(a_state(0.0, 3.0), 400.0, 6.0)[0]
    assert high == pytest.approx(probability_of_leaving(a_state(-0.0, -3.0), 400.0, 6.0)[0])
    assert 0.0 < upper_only < high


def test_a_corner_that_is_outside_has_left_and_one_that_stands_still_never_does() -> None:
    outside = leaving_dates(a_state(20.0), 6.0)
    assert (outside.expected[0], outside.earliest[0]) == pytest.approx((100.0, 100.0), abs=0.01)
    still = leaving_dates(a_state(0.0, 0.0, (0.01, 0.0, 1e-6)), 6.0, wander=STEADY)
    assert np.isinf([still.expected[0], still.earliest[0], still.latest[0]]).all()
    slow = leaving_dates(
        a_state(0.0, 6.0 / (HORIZON_DAYS / DAYS_PER_YEAR) * 1.01, (1e-9, 0.0, 1e-12)), 6.0, wander=STEADY
    )
    assert HORIZON_DAYS == 7305.0
    assert slow.expected[0] == pytest.approx(100.0 + HORIZON_DAYS / 1.01, rel=1e-4)


def test_a_corner_never_measured_has_neither_probability_nor_date() -> None:
    states = fresh_states(1)
    assert np.isnan(probability_of_leaving(states, 10.0, 6.0)).all()
    assert np.isnan(leaving_bound(states, 10.0, 6.0)).all()
    assert np.isinf(leaving_dates(states, 6.0).expected).all()


def test_a_tolerance_of_nought_is_left_for_certain() -> None:
    assert probability_of_leaving(a_state(), 200.0, 0.0).tolist() == pytest.approx([1.0])


def test_a_tolerance_below_nought_and_a_day_gone_by_are_refused() -> None:
    for function in (probability_of_leaving, leaving_bound):
        with pytest.raises(MetrologyError, match="tolerance_mm"):
            function(a_state(), 200.0, np.array([-1.0]))
        with pytest.raises(MetrologyError, match="day"):
            function(a_state(), 99.0, 6.0)
    with pytest.raises(MetrologyError, match="tolerance_mm"):
        leaving_dates(a_state(), math.nan)
