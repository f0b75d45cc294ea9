"""The joint filter against batch generalised least squares written out by hand (numpy.linalg only).

Source of the formulas: Gauss-Markov with a normal prior on the responses (JCGM 101 6.4 calls this Bayesian
least squares); the filter must give the same posterior however the rounds arrive. Figures are invented.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from calibration.metrology.corners import CORNERS
from calibration.metrology.errors import MetrologyError
from calibration.metrology.response import (
    WARP_LOSS_RMS,
    CornerEvent,
    Counts,
    HistoryItem,
    JobPosterior,
    ResponsePrior,
    SettledRound,
    StoredSetpoints,
    counts_changed,
    follow_job,
    move_variance,
    prior_from_specification,
    settled_round,
)
from tests.metrology.builders import LINKED_REAR, REAR_ONLY, SPECIFICATION, round_off_by

FLAT_VARIANCE = 1.0e8
WARP = np.array([1.0, -1.0, -1.0, 1.0])
PRIOR = prior_from_specification(SPECIFICATION)
START: Counts = (100, 100, 100, 100)


def a_round(*heights: float, at: Counts = START, variance: float = 1.3) -> SettledRound:
    a, b, c, d = heights
    return SettledRound((a, b, c, d), (variance,) * 4, at)


def random_history(rng: np.random.Generator, *, writes: int) -> list[HistoryItem]:
    """One to three rounds at each of several set-points; what was read is of no matter here."""
    at = np.array([100, 100, 100, 100])
    history: list[HistoryItem] = []
    for number in range(writes + 1):
        if number:
            at = at + rng.integers(-20, 21, 4)
            a, b, c, d = (int(x) for x in at)
            history.append(StoredSetpoints((a, b, c, d)))
        for _ in range(int(rng.integers(1, 4))):
            counts = (int(at[0]), int(at[1]), int(at[2]), int(at[3]))
            h, i, j, k = (float(x) for x in 490.0 + rng.normal(0.0, 12.0, 4))
            q, r, s, t = (float(x) for x in rng.uniform(0.6, 2.5, 4))
            history.append(SettledRound((h, i, j, k), (q, r, s, t), counts))
    return history


def batch_posterior(
    prior: ResponsePrior, history: list[HistoryItem], posterior: JobPosterior, common: Any = None
) -> tuple[np.ndarray, np.ndarray]:
    """Posterior of (last heights, responses) from one big least squares problem.

    Unknowns: 4 heights at the start (flat), 4 responses (prior), 4 departures per move (prior: what a move
    adds), and with
    `common` (variances) one error per corner and one of the instrument that are in every round.
    """
    rounds = [item for item in history if isinstance(item, SettledRound)]
    moves = posterior.moves
    extra = 5 if common is not None else 0
    size = 8 + 4 * len(moves) + extra
    precision, information = np.zeros((size, size)), np.zeros(size)
    precision[:4, :4] += np.eye(4) / FLAT_VARIANCE
    precision[4:8, 4:8] += np.linalg.inv(prior.covariance)
    information[4:8] += np.linalg.inv(prior.covariance) @ prior.mean
    for number, move in enumerate(moves):
        at = slice(8 + 4 * number, 12 + 4 * number)
        precision[at, at] += np.linalg.inv(move_variance(move.before.responses * np.array(move.changes)))
    if common is not None:
        precision[-5:, -5:] += np.diag(1.0 / np.array(common))
    for measured in rounds:
        design = design_at(history, measured.setpoints, len(moves), size)
        if common is not None:
            design[:, -5:-1], design[:, -1] = np.eye(4), 1.0
        shift = np.linalg.inv(np.diag(measured.variances_mm2))
        precision += design.T @ shift @ design
        information += design.T @ shift @ (np.array(measured.heights_mm) - 490.0)
    covariance = np.linalg.inv(precision)
    mean = covariance @ information
    last = design_at(history, rounds[-1].setpoints, len(moves), size)
    if common is not None:
        last[:, -5:-1], last[:, -1] = np.eye(4), 1.0
    wanted = np.vstack([last, np.eye(size)[4:8]])
    return wanted @ mean + np.array([490.0] * 4 + [0.0] * 4), wanted @ covariance @ wanted.T


def shifted_by(error_mm: float, measured: SettledRound) -> SettledRound:
    a, b, c, d = (height + error_mm for height in measured.heights_mm)
    return replace(measured, heights_mm=(a, b, c, d))


def design_at(history: list[HistoryItem], setpoints: Counts, moves: int, size: int) -> np.ndarray:
    """Heights at some set-points as a linear function of the unknowns; set-points occur once each here."""
    first = history[0]
    assert isinstance(first, SettledRound)
    design = np.zeros((4, size))
    design[:, :4] = np.eye(4)
    design[:, 4:8] = np.diag(counts_changed(first.setpoints, setpoints))
    stored = [item.setpoints for item in history if isinstance(item, StoredSetpoints)]
    reached = stored.index(setpoints) + 1 if setpoints in stored else 0
    for number in range(reached):
        design[:, 8 + 4 * number : 12 + 4 * number] = np.eye(4)
    return design


@pytest.mark.parametrize("number", range(12))
def test_filter_gives_the_posterior_of_batch_least_squares(number: int) -> None:
    history = random_history(np.random.default_rng([71, number]), writes=number % 4)
    posterior = follow_job(PRIOR, history)
    mean, covariance = batch_posterior(PRIOR, history, posterior)
    np.testing.assert_allclose(posterior.state.mean, mean, atol=2e-4)
    np.testing.assert_allclose(posterior.state.covariance, covariance, atol=2e-5)


@pytest.mark.parametrize("number", range(6))
def test_marks_and_instrument_as_states_of_their_own_would_change_nothing(number: int) -> None:
    """The documented treatment: heights of the filter are heights as this job's marks and tape show them."""
    history = random_history(np.random.default_rng([72, number]), writes=2)
    posterior = follow_job(PRIOR, history)
    marks_and_tape = (1 / 3, 1 / 3, 1 / 3, 1 / 3, 0.5**2 / 3)
    mean, covariance = batch_posterior(PRIOR, history, posterior, marks_and_tape)
    np.testing.assert_allclose(posterior.state.mean, mean, atol=2e-4)
    np.testing.assert_allclose(posterior.state.covariance, covariance, atol=2e-5)


def test_an_error_common_to_all_rounds_shifts_heights_and_no_response() -> None:
    history = random_history(np.random.default_rng(73), writes=2)
    shifted = [shifted_by(1.7, item) if isinstance(item, SettledRound) else item for item in history]
    plain, moved = follow_job(PRIOR, history).state, follow_job(PRIOR, shifted).state
    np.testing.assert_allclose(moved.heights_mm - plain.heights_mm, 1.7, atol=1e-9)
    np.testing.assert_allclose(moved.responses, plain.responses, atol=1e-12)


def test_rounds_at_unchanged_setpoints_pool_by_inverse_variance() -> None:
    rounds = [a_round(480, 486, 504, 504, variance=1.0), a_round(483, 486, 504, 504, variance=2.0)]
    state = follow_job(PRIOR, rounds).state
    assert state.heights_mm[0] == pytest.approx(481.0)
    assert state.height_covariance[0, 0] == pytest.approx(2 / 3)
    np.testing.assert_allclose(state.responses, PRIOR.mean)


def test_one_write_gives_the_textbook_estimate_of_one_response() -> None:
    """Conjugate normal: precision of prior and of Δh/Δs add up."""
    prior = ResponsePrior(np.full(4, 0.9), np.eye(4) * 0.15**2, "specification")
    at: Counts = (120, 100, 100, 100)
    state = follow_job(prior, [a_round(480, 486, 504, 504), a_round(494, 486, 504, 504, at=at)]).state
    added = move_variance(np.array([18.0, 0.0, 0.0, 0.0]))[0, 0]
    measured, variance = 14.0 / 20, (2 * 1.3 + added) / 20**2
    weights = np.array([1 / 0.15**2, 1 / variance])
    assert state.responses[0] == pytest.approx(
        float(weights @ [0.9, measured] / weights.sum()), abs=0.02
    )  # the other corners' share in the lost warp is neglected in this hand calculation
    assert state.response_covariance[0, 0] == pytest.approx(1 / weights.sum(), rel=0.25)


def test_learning_one_corner_teaches_its_axle_and_not_the_other() -> None:
    at: Counts = (120, 100, 100, 100)
    weak = [a_round(480, 486, 504, 504), a_round(490, 486, 504, 504, at=at)]
    responses = follow_job(PRIOR, weak).state.responses
    assert responses[0] < 0.85
    assert responses[1] < 0.87
    np.testing.assert_allclose(responses[2:], 1.05, atol=0.02)


def test_a_write_alone_shifts_the_expected_heights_and_widens_them() -> None:
    at: Counts = (110, 100, 100, 100)
    before = follow_job(PRIOR, [a_round(480, 486, 504, 504)]).state
    after = follow_job(PRIOR, [a_round(480, 486, 504, 504), StoredSetpoints(at)]).state
    assert after.setpoints == at
    assert after.heights_mm[0] == pytest.approx(489.0)
    assert after.height_covariance[0, 0] > before.height_covariance[0, 0] + (10 * 0.15) ** 2


def test_setpoints_found_changed_at_a_round_count_as_a_move() -> None:
    at: Counts = (110, 100, 100, 100)
    with_write: list[HistoryItem] = [
        a_round(480, 486, 504, 504),
        StoredSetpoints(at),
        a_round(489, 486, 504, 504, at=at),
    ]
    without: list[HistoryItem] = [with_write[0], with_write[2]]
    found = follow_job(PRIOR, without)
    np.testing.assert_allclose(found.state.mean, follow_job(PRIOR, with_write).state.mean)
    assert found.moves[0].changes == (10, 0, 0, 0)


def test_two_writes_without_a_round_between_are_one_move() -> None:
    history: list[HistoryItem] = [
        a_round(480, 486, 504, 504),
        StoredSetpoints((110, 100, 100, 100)),
        StoredSetpoints((115, 95, 100, 100)),
        a_round(492, 482, 504, 504, at=(115, 95, 100, 100)),
    ]
    moves = follow_job(PRIOR, history).moves
    assert [move.changes for move in moves] == [(15, -5, 0, 0)]
    assert moves[0].rounds_after == 1


def test_an_uncontrolled_corner_has_no_response_and_still_a_height() -> None:
    prior = prior_from_specification(REAR_ONLY)
    at: Counts = (None, None, 100, 100)
    moved: Counts = (None, None, 110, 100)
    history = [a_round(486, 486, 494, 504, at=at), a_round(486, 486, 504, 504, at=moved)]
    state = follow_job(prior, history).state
    assert state.responses[:2].tolist() == [0.0, 0.0]
    assert state.response_covariance[:2, :].tolist() == [[0.0] * 4] * 2
    assert state.height_covariance[0, 0] == pytest.approx(0.65, rel=0.05)


def test_linked_corners_keep_one_response_between_them() -> None:
    prior = prior_from_specification(LINKED_REAR)
    at: Counts = (100, 100, 110, 110)
    state = follow_job(prior, [a_round(486, 486, 490, 494), a_round(486, 486, 498, 503, at=at)]).state
    assert state.responses[2] == pytest.approx(state.responses[3])
    assert np.linalg.eigvalsh(state.covariance).min() > -1e-9


def test_what_was_measured_before_an_event_at_its_corner_teaches_nothing_of_the_axle() -> None:
    """A corner that did not answer, then got a new sensor, beside one that answers as specified."""
    at: Counts = (120, 120, 100, 100)
    silent = [a_round(470, 470, 504, 504), a_round(470, 488, 504, 504, at=at)]
    assert follow_job(PRIOR, silent).state.responses[1] < 0.85
    after = follow_job(PRIOR, [*silent, CornerEvent(("FL",))])
    alone = follow_job(PRIOR, [a_round(470, 470, 504, 504), a_round(488, 488, 504, 504, at=at)])
    assert after.state.responses[:2] == pytest.approx([0.9, 0.9], abs=1e-4)
    assert after.state.response_covariance[1, 1] > alone.state.response_covariance[1, 1]
    assert after.moves[0].voided == ("FL",)


def test_no_height_is_known_after_an_event_and_responses_elsewhere_are() -> None:
    at: Counts = (120, 120, 100, 100)
    history = [a_round(470, 470, 504, 504), a_round(480, 484, 504, 504, at=at)]
    known = follow_job(PRIOR, history).state
    for corners in ((), ("RL",)):
        measured = follow_job(PRIOR, [*history, CornerEvent(corners), a_round(455, 470, 490, 498, at=at)]).state
        assert measured.heights_mm == pytest.approx([455, 470, 490, 498], abs=1e-3)
        assert measured.height_covariance.diagonal() == pytest.approx([1.3] * 4, rel=1e-4)
        assert measured.responses == pytest.approx(known.responses, abs=1e-4)


@pytest.mark.parametrize("history", [[], [StoredSetpoints(START), a_round(480, 486, 504, 504)]])
def test_a_history_must_begin_with_a_settled_round(history: list[HistoryItem]) -> None:
    with pytest.raises(MetrologyError, match="history"):
        follow_job(PRIOR, history)


def test_prior_follows_the_specification() -> None:
    """Correlation 0.64 within an axle: standard normals 0.8 shared + 0.6 own (design, simulated vehicle)."""
    sd = np.sqrt(PRIOR.covariance.diagonal())
    correlation = PRIOR.covariance / np.outer(sd, sd)
    assert sd.tolist() == pytest.approx([0.15, 0.15, 0.18, 0.18])
    assert correlation[0, 1] == pytest.approx(0.8 * 0.8)
    assert correlation[0, 2] == 0.0
    assert (PRIOR.source, PRIOR.vehicles) == ("specification", 0)


def test_what_a_move_adds_is_what_lost_warp_and_arms_do_on_average() -> None:
    """Monte Carlo: loss uniform 0 to 25 % of the warp, second moment about no loss; arms 2 % of the move."""
    rng = np.random.default_rng(74)
    moves = np.array([20.0, -4.0, 3.0, 11.0])
    loss, arms = rng.uniform(0.0, 0.25, 200_000), rng.normal(0.0, 0.02, (200_000, 4))
    departures = -loss[:, None] * (WARP @ moves / 4) * WARP + arms * moves
    np.testing.assert_allclose(departures.T @ departures / len(loss), move_variance(moves), atol=0.02)
    assert pytest.approx(0.25 / np.sqrt(3), abs=4e-4) == WARP_LOSS_RMS


def test_a_measured_round_carries_only_what_is_its_own() -> None:
    measured = round_off_by((1.0, 0.0, 0.0, -2.0))
    found = settled_round(measured, 1.5, START)
    assert found.heights_mm == (487.0, 486.0, 504.0, 502.0)
    assert found.variances_mm2 == pytest.approx([1.0 / 2 + 1.5**2 / 3 + 1 / 12] * len(CORNERS))


def test_after_an_event_a_height_says_nothing_of_the_responses() -> None:
    at: Counts = (110, 100, 100, 100)
    before = [a_round(480, 486, 504, 504), a_round(489, 486, 504, 504, at=at)]
    known = follow_job(PRIOR, before).state
    after = follow_job(PRIOR, [*before, CornerEvent(("RR",))]).state
    assert np.abs(known.covariance[:4, 4:]).max() > 0
    assert not after.covariance[:4, 4:].any()
    assert not after.covariance[4:, :4].any()
    np.testing.assert_allclose(after.response_covariance, known.response_covariance, atol=2e-5)


def test_rounds_after_a_move_pool_by_inverse_variance() -> None:
    at: Counts = (120, 100, 100, 100)
    after = [a_round(h, 486, 504, 504, at=at, variance=v) for h, v in ((490.0, 1.0), (493.0, 0.5), (496.0, 0.25))]
    (move,) = follow_job(PRIOR, [a_round(472, 486, 504, 504), *after]).moves
    assert move.rounds_after == 3
    assert move.measured_mm[0] == pytest.approx((490 * 1 + 493 * 2 + 496 * 4) / 7)
    assert move.measured_variance_mm2[0] == pytest.approx(1 / 7)
