"""Learning across the vehicles of a model: against statsmodels and simulated vehicles (figures invented)."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.regression.mixed_linear_model import MixedLM
from statsmodels.stats.meta_analysis import combine_effects

from calibration.metrology import model_response
from calibration.metrology.corners import AXLES, CORNERS, Axle
from calibration.metrology.errors import MetrologyError
from calibration.metrology.model_response import (
    AxleDraw,
    axle_draws,
    model_axle,
    prior_from_model,
    prior_from_vehicle,
)
from calibration.metrology.response import (
    HistoryItem,
    JointState,
    ResponsePrior,
    SettledRound,
    StoredSetpoints,
    follow_job,
    prior_from_specification,
)
from tests.metrology.builders import LINKED_REAR, REAR_ONLY, SPECIFICATION

PRIOR = prior_from_specification(SPECIFICATION)
AXLE_PLACES: dict[Axle, slice] = {"front": slice(0, 2), "rear": slice(2, 4)}
AXLE_MEANS = {"front": 0.9, "rear": 1.05}
AXLE_SDS = {"front": 0.15, "rear": 0.18}


def state(responses: np.ndarray, covariance: np.ndarray) -> JointState:
    whole = np.eye(8)
    whole[4:, 4:] = covariance
    return JointState(np.concatenate([np.zeros(4), responses]), whole, (100, 100, 100, 100))


def taught(measured: np.ndarray, variances: np.ndarray, prior: ResponsePrior = PRIOR) -> JointState:
    """Posterior of four responses of which each was measured by itself."""
    precision = np.linalg.inv(prior.covariance) + np.diag(1.0 / variances)
    covariance = np.linalg.inv(precision)
    return state(covariance @ (np.linalg.solve(prior.covariance, prior.mean) + measured / variances), covariance)


def drawn_responses(rng: np.random.Generator, share: float = 1.0) -> np.ndarray:
    """One vehicle's four responses after the design's recipe, the model's means at a share of the specification's."""
    responses = []
    for axle in AXLES:
        common = 0.8 * rng.normal()
        responses += [share * AXLE_MEANS[axle] + AXLE_SDS[axle] * (common + 0.6 * rng.normal()) for _ in range(2)]
    return np.array(responses)


def job_of(responses: np.ndarray, rng: np.random.Generator, prior: ResponsePrior = PRIOR) -> JointState:
    """A job with one write of some counts at every corner, one settled round before and two after it."""
    counts = rng.integers(8, 20, 4) * rng.choice([-1, 1])
    heights = np.full(4, 490.0)

    def a_round(at: np.ndarray, setpoints: np.ndarray) -> SettledRound:
        a, b, c, d = (float(h) for h in at + rng.normal(0.0, 1.1, 4))
        e, f, g, k = (int(count) for count in setpoints)
        return SettledRound((a, b, c, d), (1.21,) * 4, (e, f, g, k))

    start = np.full(4, 100)
    after = heights + responses * counts
    settled = [a_round(after, start + counts) for _ in range(2)]
    history: list[HistoryItem] = [a_round(heights, start), StoredSetpoints(settled[0].setpoints), *settled]
    return follow_job(prior, history).state


class TestDraws:
    def test_two_corners_measured_alike_give_their_mean(self) -> None:
        draw = axle_draws(SPECIFICATION, PRIOR, taught(np.array([0.8, 0.6, 1.0, 1.2]), np.full(4, 0.02)))["front"]
        assert draw.estimate == pytest.approx(0.7)
        assert draw.variance == pytest.approx(0.01)
        assert draw.between_factor == pytest.approx(0.82)

    def test_an_estimate_is_that_of_generalised_least_squares(self) -> None:
        """Unequal corners: y ~ N(mu, V + tau²C), solved directly with NumPy."""
        measured, variances = np.array([0.8, 0.5, 1.0, 1.3]), np.array([0.01, 0.05, 0.02, 0.03])
        draws = axle_draws(SPECIFICATION, PRIOR, taught(measured, variances))
        for axle, at in AXLE_PLACES.items():
            spread = AXLE_SDS[axle] ** 2 * np.array([[1.0, 0.64], [0.64, 1.0]])
            weights = np.linalg.inv(np.diag(variances[at]) + spread).sum(axis=0)
            weights /= weights.sum()
            draw = draws[axle]
            assert draw.estimate == pytest.approx(weights @ measured[at])
            assert draw.variance == pytest.approx(weights**2 @ variances[at])
            assert draw.between_factor == pytest.approx(weights @ spread @ weights / AXLE_SDS[axle] ** 2)

    def test_the_prior_of_the_job_is_taken_out_again(self) -> None:
        """The same measurements followed with another prior say the same."""
        measured, variances = np.array([0.8, 0.5, 1.0, 1.3]), np.array([0.01, 0.05, 0.02, 0.03])
        other = ResponsePrior(PRIOR.mean + 0.3, PRIOR.covariance * 0.3, "model", 9)
        first = axle_draws(SPECIFICATION, PRIOR, taught(measured, variances))
        second = axle_draws(SPECIFICATION, other, taught(measured, variances, other))
        for axle in AXLES:
            assert second[axle].estimate == pytest.approx(first[axle].estimate)
            assert second[axle].variance == pytest.approx(first[axle].variance)

    def test_an_axle_that_was_not_moved_gives_no_draw(self) -> None:
        variances = np.array([0.01, 0.01, 1e9, 1e9])
        assert list(axle_draws(SPECIFICATION, PRIOR, taught(np.full(4, 0.8), variances))) == ["front"]
        assert axle_draws(SPECIFICATION, PRIOR, state(PRIOR.mean, PRIOR.covariance)) == {}

    def test_one_moved_corner_is_a_draw_of_the_whole_spread(self) -> None:
        draw = axle_draws(SPECIFICATION, PRIOR, taught(np.full(4, 0.8), np.array([0.01, 1e9, 1e9, 1e9])))["front"]
        assert (draw.estimate, draw.variance, draw.between_factor) == pytest.approx((0.8, 0.01, 1.0), rel=1e-4)

    def test_linked_corners_are_one_and_uncontrolled_ones_none(self) -> None:
        linked = prior_from_specification(LINKED_REAR)
        covariance = linked.covariance.copy()
        covariance[2:, 2:] = 0.001
        draw = axle_draws(LINKED_REAR, linked, state(np.array([0.9, 0.9, 1.2, 1.2]), covariance))["rear"]
        assert draw.between_factor == pytest.approx(1.0)
        rear = prior_from_specification(REAR_ONLY)
        halved = state(rear.mean, rear.covariance * 0.5)
        assert list(axle_draws(REAR_ONLY, rear, halved)) == ["rear"]
        with pytest.raises(MetrologyError, match="prior"):
            axle_draws(REAR_ONLY, PRIOR, halved)


def some_draws(seed: int, n: int = 12) -> list[AxleDraw]:
    rng = np.random.default_rng([99, seed])
    variances = rng.uniform(0.001, 0.01, n)
    return [AxleDraw(float(0.7 + rng.normal(0.0, 0.15) + rng.normal(0.0, v**0.5)), float(v), 1.0) for v in variances]


class TestModel:
    @pytest.mark.parametrize("seed", [0, 1, 2, 4])
    def test_without_the_specification_it_is_the_random_effects_mean_of_statsmodels(
        self, seed: int, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(model_response, "SPECIFICATION_DRAWS", 0.0)
        monkeypatch.setattr(model_response, "SPECIFICATION_FREEDOM", 0.0)
        draws = some_draws(seed)
        theirs = combine_effects(
            np.array([d.estimate for d in draws]),
            np.array([d.variance for d in draws]),
            method_re="iterated",
            atol=1e-14,
            maxiter=1000,
        )
        found = model_axle(SPECIFICATION, "front", draws)
        assert found.mean == pytest.approx(theirs.mean_effect_re, rel=1e-6)
        assert found.sd**2 == pytest.approx(theirs.tau2, rel=1e-4)

    def test_corners_of_simulated_vehicles_have_the_spread_of_the_mixed_model(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Corners measured without error in 200 vehicles: MixedLM (REML) splits the axle's part from the corner's."""
        monkeypatch.setattr(model_response, "SPECIFICATION_DRAWS", 0.0)
        monkeypatch.setattr(model_response, "SPECIFICATION_FREEDOM", 0.0)
        rng = np.random.default_rng(100)
        responses = np.array([drawn_responses(rng)[:2] for _ in range(200)])
        theirs = MixedLM(responses.ravel(), np.ones(400), groups=np.repeat(np.arange(200), 2)).fit(reml=True)
        draws = [AxleDraw(float(pair.mean()), 0.0, 0.82) for pair in responses]
        found = model_axle(SPECIFICATION, "front", draws)
        assert found.mean == pytest.approx(theirs.fe_params[0], rel=1e-6)
        of_means = theirs.cov_re[0, 0] + theirs.scale / 2.0
        assert 0.82 * found.sd**2 == pytest.approx(of_means, rel=1e-3)

    def test_the_specification_counts_as_half_a_vehicle_and_sixteen_degrees_of_freedom(self) -> None:
        draws = [AxleDraw(value, 0.0, 1.0) for value in (0.7, 0.8, 0.6)]
        found = model_axle(SPECIFICATION, "front", draws)
        assert found.mean == pytest.approx((0.9 / 2.0 + 0.7 + 0.8 + 0.6) / 3.5)
        assert found.sd**2 == pytest.approx((16.0 * 0.15**2 + 0.02) / 18.0)

    def test_an_uncontrolled_axle_has_no_response(self) -> None:
        with pytest.raises(MetrologyError, match="axle"):
            model_axle(REAR_ONLY, "front", [])

    def test_without_vehicles_the_prior_is_the_specifications(self) -> None:
        nothing: list[dict[Axle, list[AxleDraw]]] = [{}, {"front": []}]
        for draws in nothing:
            prior = prior_from_model(SPECIFICATION, draws)
            assert (prior.source, prior.vehicles) == ("specification", 0)
            np.testing.assert_array_equal(prior.covariance, PRIOR.covariance)

    def test_its_prior_predicts_the_next_vehicle(self) -> None:
        draws: dict[Axle, list[AxleDraw]] = {"front": some_draws(1), "rear": some_draws(2, 5)}
        prior = prior_from_model(SPECIFICATION, draws)
        assert (prior.source, prior.vehicles) == ("model", 12)
        for axle, at in AXLE_PLACES.items():
            found = model_axle(SPECIFICATION, axle, draws[axle])
            own = found.sd**2 * np.array([[1.0, 0.64], [0.64, 1.0]]) + found.mean_uncertainty**2
            np.testing.assert_allclose(prior.covariance[at, at], own)
            assert prior.mean[at].tolist() == [found.mean] * 2
        assert not prior.covariance[:2, 2:].any()

    def test_linked_and_uncontrolled_corners_keep_what_they_are(self) -> None:
        linked = prior_from_model(LINKED_REAR, {"rear": some_draws(1)})
        assert linked.covariance[2, 3] == pytest.approx(linked.covariance[2, 2])
        rear_only = prior_from_model(REAR_ONLY, {"rear": some_draws(1)})
        assert not rear_only.covariance[:2].any()
        assert rear_only.mean[:2].tolist() == [0.0, 0.0]
        assert rear_only.mean[2:].tolist() == [model_axle(REAR_ONLY, "rear", some_draws(1)).mean] * 2

    def test_that_taught_one_axle_only_leaves_the_other_to_the_specification(self) -> None:
        both: tuple[tuple[Axle, Axle], ...] = (("front", "rear"), ("rear", "front"))
        for axle, other in both:
            prior = prior_from_model(SPECIFICATION, {axle: some_draws(1)})
            assert prior.mean[AXLE_PLACES[axle]].tolist() == [model_axle(SPECIFICATION, axle, some_draws(1)).mean] * 2
            np.testing.assert_array_equal(prior.mean[AXLE_PLACES[other]], PRIOR.mean[AXLE_PLACES[other]])


def test_twenty_vehicles_put_a_specification_right_that_is_a_fifth_wrong() -> None:
    """Simulated jobs of 60 models, each followed with the prior that its model had by then."""
    rng = np.random.default_rng(101)
    errors, inside = [], []
    for _ in range(60):
        draws: dict[Axle, list[AxleDraw]] = {"front": [], "rear": []}
        for _vehicle in range(20):
            prior = prior_from_model(SPECIFICATION, draws)
            for axle, draw in axle_draws(SPECIFICATION, prior, job_of(drawn_responses(rng, 0.8), rng, prior)).items():
                draws[axle].append(draw)
        prior = prior_from_model(SPECIFICATION, draws)
        assert (prior.source, prior.vehicles) == ("model", 20)
        errors.append(prior.mean / (0.8 * PRIOR.mean) - 1.0)
        z = (drawn_responses(rng, 0.8) - prior.mean) / np.sqrt(np.diag(prior.covariance))
        inside.append(np.abs(z) < 1.959964)
    mean = np.mean(errors)
    assert abs(mean) < 0.025, "the specification was 25 % above"
    assert np.sqrt(np.mean(np.square(errors))) < 0.06
    assert np.mean(inside) == pytest.approx(0.95, abs=0.045)


class TestVehicle:
    def test_what_it_taught_is_its_prior_next_time(self) -> None:
        posterior = taught(np.array([0.8, 0.6, 1.0, 1.2]), np.full(4, 0.01))
        prior = prior_from_vehicle(posterior, PRIOR)
        assert (prior.source, prior.vehicles) == ("vehicle", 1)
        np.testing.assert_array_equal(prior.mean, posterior.responses)
        np.testing.assert_array_equal(prior.covariance, posterior.response_covariance)

    def test_a_replaced_corner_is_a_new_draw_known_through_its_axle(self) -> None:
        """Conditioning by hand: mean + 0.64·(what the other departs), variance sd²(1 - 0.64²) + 0.64²·known."""
        posterior = taught(np.array([0.8, 0.6, 1.0, 1.2]), np.full(4, 0.01))
        prior = prior_from_vehicle(posterior, PRIOR, ["FL"])
        other, known = posterior.responses[1], posterior.response_covariance[1, 1]
        assert prior.mean[0] == pytest.approx(0.9 + 0.64 * (other - 0.9))
        assert prior.covariance[0, 0] == pytest.approx(0.0225 * (1.0 - 0.64**2) + 0.64**2 * known)
        assert prior.covariance[0, 1] == prior.covariance[1, 0] == pytest.approx(0.64 * known)
        np.testing.assert_array_equal(prior.mean[1:], posterior.responses[1:])
        np.testing.assert_array_equal(prior.covariance[1:, 1:], posterior.response_covariance[1:, 1:])
        assert prior.covariance[0, 0] > posterior.response_covariance[0, 0]

    def test_with_all_corners_replaced_only_the_model_is_left(self) -> None:
        prior = prior_from_vehicle(taught(np.full(4, 0.6), np.full(4, 0.01)), PRIOR, CORNERS)
        np.testing.assert_allclose(prior.mean, PRIOR.mean)
        np.testing.assert_allclose(prior.covariance, PRIOR.covariance)

    def test_uncontrolled_corners_do_no_harm(self) -> None:
        rear = prior_from_specification(REAR_ONLY)
        prior = prior_from_vehicle(state(rear.mean, rear.covariance * 0.5), rear, ["RL"])
        assert prior.mean[:2].tolist() == [0.0, 0.0]
        assert prior.covariance[2, 2] > 0.5 * rear.covariance[2, 2]

    def test_a_prior_of_every_source_can_be_followed(self) -> None:
        rng = np.random.default_rng(102)
        own = prior_from_vehicle(job_of(drawn_responses(rng), rng), PRIOR, ["RR"])
        after = job_of(drawn_responses(rng), rng, own)
        assert (np.diag(after.response_covariance) < np.diag(own.covariance)).all()
