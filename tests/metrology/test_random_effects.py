"""Random effects against statsmodels' meta-analysis and mixed model."""

from __future__ import annotations

import math

import numpy as np
import pytest
from statsmodels.regression.mixed_linear_model import MixedLM
from statsmodels.stats.meta_analysis import combine_effects

from calibration.metrology.errors import MetrologyError
from calibration.metrology.random_effects import Default, population

NO_WEIGHT = Default(0.0, 1.0, 0.0, 0.0)


def draws(number: int, n: int = 15) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng([91, number])
    variances = rng.uniform(0.05, 1.5, n)
    return 2.0 + rng.normal(0.0, 1.2, n) + rng.normal(0.0, np.sqrt(variances)), variances


@pytest.mark.parametrize("number", [0, 1, 2, 4, 5])
def test_without_a_default_it_is_paule_and_mandels_estimate_of_statsmodels(number: int) -> None:
    estimates, variances = draws(number)
    found = population(estimates, variances, NO_WEIGHT)
    theirs = combine_effects(estimates, variances, method_re="iterated", atol=1e-12, maxiter=500)
    assert found.sd**2 == pytest.approx(theirs.tau2, rel=1e-5)
    assert found.mean == pytest.approx(theirs.mean_effect_re, rel=1e-6)
    assert found.mean_uncertainty == pytest.approx(theirs.sd_eff_w_re, rel=1e-5)


@pytest.mark.parametrize("number", range(12))
def test_the_spread_solves_the_generalised_q_equation(number: int) -> None:
    """Also where the iteration of statsmodels leaves the range and answers 0 (draws 3)."""
    estimates, variances = draws(number)
    weights = 1.0 / (variances + (found := population(estimates, variances, NO_WEIGHT)).sd ** 2)
    assert weights @ (estimates - found.mean) ** 2 == pytest.approx(14.0)


def test_equal_variances_give_the_mixed_models_restricted_likelihood() -> None:
    """Twelve groups of four: group means have equal variances, where REML and the Q equation coincide."""
    rng = np.random.default_rng(92)
    group = np.repeat(np.arange(12), 4)
    value = 1.0 + rng.normal(0.0, 1.0, 12)[group] + rng.normal(0.0, 0.6, 48)
    theirs = MixedLM(value, np.ones(48), groups=group).fit(reml=True)
    means = value.reshape(12, 4).mean(axis=1)
    within = float(value.reshape(12, 4).var(axis=1, ddof=1).mean()) / 4.0
    found = population(means, np.full(12, within), NO_WEIGHT)
    assert found.mean == pytest.approx(theirs.fe_params[0], abs=1e-8)
    assert found.sd**2 == pytest.approx(theirs.cov_re[0, 0], rel=1e-3)


def test_two_draws_that_differ_a_little_more_than_their_errors_explain_are_spread_by_the_rest() -> None:
    """By hand: (2.5/2)²·2/(1 + τ²) = 1, so that τ² = 2.125."""
    assert population(np.array([0.0, 2.5]), np.ones(2), NO_WEIGHT).sd ** 2 == pytest.approx(2.125)


def test_less_spread_than_the_errors_explain_is_none() -> None:
    found = population(np.array([1.0, 1.1, 0.9]), np.ones(3), NO_WEIGHT)
    assert found.sd == pytest.approx(0.0, abs=1e-5)
    assert found.mean == pytest.approx(1.0)


def test_a_share_of_the_spread_is_that_of_scaled_draws() -> None:
    """With equal factors f the spread is that without, divided by √f."""
    estimates, variances = draws(7)
    half = population(estimates, variances, NO_WEIGHT, np.full(15, 0.5))
    assert half.sd == pytest.approx(population(estimates, variances, NO_WEIGHT).sd / math.sqrt(0.5), rel=1e-6)
    mixed = population(estimates, variances, NO_WEIGHT, np.linspace(0.5, 1.0, 15))
    weights = 1.0 / (variances + np.linspace(0.5, 1.0, 15) * mixed.sd**2)
    assert weights @ (estimates - mixed.mean) ** 2 == pytest.approx(14.0)


class TestDefault:
    DEFAULT = Default(0.9, 0.15, 1.0, 4.0)

    def test_without_draws_it_is_the_answer(self) -> None:
        found = population(np.array([]), np.array([]), self.DEFAULT)
        assert (found.mean, found.sd, found.draws) == pytest.approx((0.9, 0.15, 0))
        assert found.mean_uncertainty == pytest.approx(0.15)

    def test_one_draw_moves_the_mean_and_not_the_spread(self) -> None:
        found = population(np.array([0.7]), np.array([0.0]), self.DEFAULT)
        assert (found.mean, found.sd, found.draws) == pytest.approx((0.8, 0.15, 1))

    def test_exact_draws_are_pooled_as_variances_are(self) -> None:
        """ISO 5725-2: (freedom·sd² + Σ(y - ȳ)²)/(freedom + n - 1), with no published figures."""
        estimates = np.array([0.5, 0.7, 0.9, 0.6])
        found = population(estimates, np.zeros(4), self.DEFAULT)
        pooled = (4.0 * 0.15**2 + ((estimates - estimates.mean()) ** 2).sum()) / (4.0 + 3.0)
        assert found.sd**2 == pytest.approx(pooled, rel=1e-9)
        assert found.mean == pytest.approx((estimates.sum() + 0.9) / 5.0)

    def test_many_draws_leave_nothing_of_it(self) -> None:
        rng = np.random.default_rng(93)
        found = population(rng.normal(5.0, 2.0, 4000), np.zeros(4000), self.DEFAULT)
        assert found.mean == pytest.approx(5.0, abs=0.15)
        assert found.sd == pytest.approx(2.0, abs=0.1)

    def test_its_weight_is_that_of_a_draw_of_its_own(self) -> None:
        heavier = Default(0.9, 0.15, 3.0, 4.0)
        assert population(np.array([0.5]), np.zeros(1), heavier).mean == pytest.approx((0.5 + 3 * 0.9) / 4.0)


def test_what_cannot_be_is_refused() -> None:
    one, none = np.ones(1), np.array([])
    for wrong in (
        (one, np.ones(2), NO_WEIGHT),
        (one, -one, NO_WEIGHT),
        (one, np.array([math.inf]), NO_WEIGHT),
        (none, none, NO_WEIGHT),
        (one, one, NO_WEIGHT, np.zeros(1)),
    ):
        with pytest.raises(MetrologyError):
            population(*wrong)
    for default in ((math.nan, 1.0, 1.0, 1.0), (0.0, 0.0, 1.0, 1.0), (0.0, 1.0, -1.0, 1.0), (0.0, 1.0, 1.0, -1.0)):
        with pytest.raises(MetrologyError, match="default"):
            Default(*default)
