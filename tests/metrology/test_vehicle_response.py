"""What visits teach, one after another: against one long job, batch estimates and conditioning by hand."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.metrology.response import (
    HistoryItem,
    ResponsePrior,
    SettledRound,
    StoredSetpoints,
    follow_job,
    prior_from_specification,
)
from calibration.metrology.vehicle_response import (
    KnownBefore,
    Visit,
    as_state,
    known_before,
    prior_for_job,
    taught_by_visits,
    with_other_prior,
)
from tests.metrology.builders import LINKED_REAR, REAR_ONLY, SPECIFICATION
from tests.metrology.test_model_response import taught

PRIOR = prior_from_specification(SPECIFICATION)
COUNTS = (12, -9, 15, 7)
TRUE = np.array([0.7, 0.8, 1.2, 0.95])


def visit_of(seed: int, counts: tuple[int, ...] = COUNTS, responses: np.ndarray = TRUE) -> Visit:
    """One write with a settled round before and after it."""
    rng = np.random.default_rng([71, seed])
    before = np.array([486.0, 486.0, 504.0, 504.0]) - responses * np.array(counts)

    def a_round(heights: np.ndarray, moved: int) -> SettledRound:
        a, b, c, d = (float(height) for height in heights + rng.normal(0.0, 0.8, 4))
        e, f, g, h = (100 + moved * count for count in counts)
        return SettledRound((a, b, c, d), (0.64,) * 4, (e, f, g, h))

    last = a_round(before + responses * np.array(counts), 1)
    history: list[HistoryItem] = [a_round(before, 0), StoredSetpoints(last.setpoints), last]
    return Visit(tuple(history))


class TestVisits:
    def test_each_visit_begins_with_what_those_before_it_taught(self) -> None:
        visits = [visit_of(seed) for seed in range(3)]
        known = PRIOR
        for visit in visits:
            state = follow_job(known, visit.history).state
            known = ResponsePrior(state.responses, state.response_covariance, "vehicle", 1)
        found = taught_by_visits(SPECIFICATION, visits)
        np.testing.assert_allclose(found.mean, known.mean)
        np.testing.assert_allclose(found.covariance, known.covariance)

    def test_many_visits_find_the_true_responses(self) -> None:
        found = taught_by_visits(SPECIFICATION, [visit_of(seed) for seed in range(40)])
        assert found.mean == pytest.approx(TRUE, abs=0.06)
        assert np.abs(found.mean - TRUE) / np.sqrt(np.diag(found.covariance)) == pytest.approx(0.0, abs=3.0)

    def test_without_rounds_the_specification_stays(self) -> None:
        for visits in ([], [Visit(())], [Visit((), ("FL",))]):
            found = taught_by_visits(SPECIFICATION, visits)
            assert (found.source, found.vehicles) == ("specification", 0)
            np.testing.assert_array_equal(found.mean, PRIOR.mean)

    def test_an_event_before_a_visit_forgets_what_earlier_ones_taught_of_the_corner(self) -> None:
        first, second = visit_of(1), visit_of(2)
        renewed = Visit(second.history, renewed=("FL", "FR"))
        assert abs(taught_by_visits(SPECIFICATION, [first]).mean[0] - PRIOR.mean[0]) > 0.05, "there is much to forget"
        found = taught_by_visits(SPECIFICATION, [first, renewed])
        alone, both = (taught_by_visits(SPECIFICATION, each) for each in ([second], [first, second]))
        np.testing.assert_allclose(found.mean[:2], alone.mean[:2], atol=0.01)
        np.testing.assert_allclose(found.covariance[:2, :2], alone.covariance[:2, :2], rtol=0.1)
        np.testing.assert_allclose(found.mean[2:], both.mean[2:], atol=0.01)

    def test_a_corner_under_suspicion_at_the_end_taught_nothing(self) -> None:
        visit = visit_of(1)
        found = taught_by_visits(SPECIFICATION, [Visit(visit.history, distrusted=("RL", "RR"))])
        np.testing.assert_allclose(found.mean[2:], PRIOR.mean[2:])
        np.testing.assert_allclose(found.covariance[2:, 2:], PRIOR.covariance[2:, 2:])
        assert found.covariance[0, 0] < PRIOR.covariance[0, 0]

    def test_linked_and_uncontrolled_corners_stay_what_they_are(self) -> None:
        moved = visit_of(3, (12, -9, 8, 8), np.array([0.7, 0.8, 1.2, 1.2]))
        linked = taught_by_visits(LINKED_REAR, [moved, moved])
        assert linked.mean[2] == pytest.approx(linked.mean[3])
        assert linked.covariance[2, 3] == pytest.approx(linked.covariance[2, 2])
        rear = taught_by_visits(REAR_ONLY, [visit_of(4, (0, 0, 8, 9))])
        assert not rear.covariance[:2].any()
        assert rear.mean[:2].tolist() == [0.0, 0.0]


class TestOtherPrior:
    def test_it_is_what_the_same_measurements_give_with_that_prior(self) -> None:
        other = ResponsePrior(PRIOR.mean * 0.85, PRIOR.covariance * 0.4, "model", 9)
        measured, variances = np.array([0.8, 0.5, 1.0, 1.3]), np.array([0.01, 0.05, 0.02, 0.03])
        first, expected = (taught(measured, variances, prior) for prior in (PRIOR, other))
        posterior = ResponsePrior(first.responses, first.response_covariance, "vehicle", 1)
        found = with_other_prior(posterior, PRIOR, other)
        np.testing.assert_allclose(found.mean, expected.responses)
        np.testing.assert_allclose(found.covariance, expected.response_covariance, atol=1e-12)
        assert (found.source, found.vehicles) == ("vehicle", 1)

    def test_rounds_followed_with_either_prior_say_nearly_the_same(self) -> None:
        """What the filter adds to a move goes by the response as expected."""
        other = ResponsePrior(PRIOR.mean * 0.85, PRIOR.covariance * 0.4, "model", 9)
        visit = visit_of(5)
        first = follow_job(PRIOR, visit.history).state
        found = with_other_prior(ResponsePrior(first.responses, first.response_covariance, "vehicle", 1), PRIOR, other)
        expected = follow_job(other, visit.history).state
        np.testing.assert_allclose(found.mean, expected.responses, atol=0.01)
        np.testing.assert_allclose(np.diag(found.covariance), np.diag(expected.response_covariance), rtol=0.05)

    def test_with_the_same_prior_nothing_changes(self) -> None:
        for specification in (SPECIFICATION, LINKED_REAR, REAR_ONLY):
            prior = prior_from_specification(specification)
            posterior = ResponsePrior(prior.mean * 0.9, prior.covariance * 0.3, "vehicle", 1)
            found = with_other_prior(posterior, prior, prior)
            np.testing.assert_allclose(found.mean, posterior.mean, atol=1e-12)
            np.testing.assert_allclose(found.covariance, posterior.covariance, atol=1e-12)


class TestBeforeAJob:
    MODEL = ResponsePrior(PRIOR.mean * 0.8, PRIOR.covariance * 0.5, "model", 14)

    def test_a_vehicle_that_taught_nothing_begins_with_its_model(self) -> None:
        known = known_before(SPECIFICATION, PRIOR, self.MODEL)
        assert known.vehicle is None
        assert prior_for_job(known) is self.MODEL

    def test_a_vehicle_that_was_here_begins_with_both(self) -> None:
        taught = taught_by_visits(SPECIFICATION, [visit_of(6)])
        prior = prior_for_job(known_before(SPECIFICATION, taught, self.MODEL))
        assert (prior.source, prior.vehicles) == ("vehicle", 1)
        assert (np.diag(prior.covariance) < np.diag(self.MODEL.covariance)).all()
        assert (np.diag(prior.covariance) < np.diag(taught.covariance)).all()

    def test_what_is_replaced_within_the_job_is_known_by_the_model_alone(self) -> None:
        taught = taught_by_visits(SPECIFICATION, [visit_of(6)])
        known = known_before(SPECIFICATION, taught, self.MODEL)
        front = prior_for_job(known, ("FL", "FR"))
        np.testing.assert_allclose(front.mean[:2], self.MODEL.mean[:2])
        np.testing.assert_allclose(front.covariance[:2, :2], self.MODEL.covariance[:2, :2])
        assert front.source == "vehicle"
        assert prior_for_job(known, ("FL", "FR", "RL", "RR")) is self.MODEL


def test_a_state_of_responses_alone_has_nothing_of_heights() -> None:
    state = as_state(PRIOR)
    np.testing.assert_array_equal(state.responses, PRIOR.mean)
    np.testing.assert_array_equal(state.response_covariance, PRIOR.covariance)
    assert not state.height_response_covariance.any()
    assert prior_for_job(KnownBefore(PRIOR)) is PRIOR
