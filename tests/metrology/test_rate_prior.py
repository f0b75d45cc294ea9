"""The prior of a rate from a fleet: against batch least squares and simulated fleets (figures invented)."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.metrology.drift_filter import measured
from calibration.metrology.drift_state import DAYS_PER_YEAR, Wander, fresh_states
from calibration.metrology.random_effects import Default, population
from calibration.metrology.rate_prior import DEFAULT_RATE_PRIOR, RatePrior, rate_evidence, rate_prior

STEADY = Wander(0.0, 0.0, 1e9)


def fleet_of(rates: np.ndarray, rng: np.random.Generator, checks: int = 8) -> tuple[np.ndarray, np.ndarray]:
    """Evidence of corners that drift at these rates, a check every 60 days."""
    states = fresh_states(rates.size, DEFAULT_RATE_PRIOR.mean, DEFAULT_RATE_PRIOR.variance)
    start = rng.normal(0.0, 1.0, rates.size)
    for check in range(checks):
        heights = start + rates * check * 60.0 / DAYS_PER_YEAR + rng.normal(0.0, 1.3, rates.size)
        states = measured(states, check * 60.0, heights, 1.69, wander=STEADY)
    return rate_evidence(states)


def test_evidence_is_the_slope_of_the_series_alone() -> None:
    """Ordinary least squares by NumPy: what the prior had drawn it towards is taken out again."""
    days, heights = np.array([0.0, 100.0, 300.0, 500.0]), np.array([1.0, 0.0, 4.0, 7.0])
    states = fresh_states(1, 2.0, 4.0)
    for day, height in zip(days, heights, strict=True):
        states = measured(states, day, np.array([height]), 1.69, wander=STEADY)
    (rate,), (variance,) = rate_evidence(states)
    (slope, _), covariance = np.polyfit(days / DAYS_PER_YEAR, heights, 1, cov="unscaled")
    assert rate == pytest.approx(slope)
    assert variance == pytest.approx(1.69 * covariance[0, 0])


def test_a_corner_that_taught_nothing_is_left_out() -> None:
    states = measured(fresh_states(2), 0.0, np.array([1.0, np.nan]), 1.69)
    assert rate_evidence(states)[0].size == 0


def test_a_fleets_mean_and_spread_are_found() -> None:
    rng = np.random.default_rng(94)
    found = rate_prior(*fleet_of(rng.normal(-2.0, 7.0, 3000), rng))
    assert found.mean == pytest.approx(-2.0, abs=0.45)
    assert found.variance**0.5 == pytest.approx(7.0, abs=0.35)
    assert found.corners == 3000


def test_a_small_fleet_stays_near_the_default_and_says_so() -> None:
    rng = np.random.default_rng(95)
    found = rate_prior(*fleet_of(np.zeros(4), rng))
    assert found.corners == 4
    assert abs(found.mean) < 0.5
    assert rate_prior(np.array([]), np.array([]), RatePrior(1.0, 2.0)) == RatePrior(1.0, 2.0)


def test_the_variance_is_that_of_one_more_corner() -> None:
    rates, variances = np.array([1.0, 12.0, -14.0]), np.array([0.5, 1.0, 0.7])
    found = rate_prior(rates, variances)
    default = Default(0.0, 4.5, 10.0, 10.0)
    parts = population(rates, variances, default)
    assert (found.mean, found.variance) == (parts.mean, parts.sd**2 + parts.mean_uncertainty**2)
    assert found.variance > DEFAULT_RATE_PRIOR.variance


def test_a_sound_fleet_teaches_its_mean_and_makes_nobody_deaf() -> None:
    rng = np.random.default_rng(103)
    found = rate_prior(*fleet_of(np.full(500, -1.5), rng))
    assert found.mean == pytest.approx(-1.5, abs=0.3)
    assert found.variance == DEFAULT_RATE_PRIOR.variance
