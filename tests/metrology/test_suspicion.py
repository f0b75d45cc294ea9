"""Suspect corners: the two thresholds, the confirming round, the name.

Rules: the project's design, no published source.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from calibration.metrology.response import (
    CornerEvent,
    Counts,
    HistoryItem,
    SettledRound,
    StoredSetpoints,
    follow_job,
    move_variance,
    prior_from_specification,
)
from calibration.metrology.suspicion import Suspicion, find_suspicions
from tests.metrology.builders import SPECIFICATION

PRIOR = prior_from_specification(SPECIFICATION)
START: Counts = (100, 100, 100, 100)
MOVED: Counts = (120, 100, 100, 100)
VARIANCE = 4 / 3
EXPECTED = 18.0


def a_round(front_left_mm: float, at: Counts = START) -> SettledRound:
    return SettledRound((front_left_mm, 486.0, 504.0, 504.0), (VARIANCE,) * 4, at)


def history_of(*moves_mm: float) -> list[HistoryItem]:
    """FL, 18 mm low, is written 20 counts up; each number is the move that one settled round then shows."""
    return [a_round(468.0), StoredSetpoints(MOVED), *(a_round(468.0 + move, MOVED) for move in moves_mm)]


def suspicions_after(*moves_mm: float, then: tuple[HistoryItem, ...] = ()) -> tuple[Suspicion, ...]:
    return find_suspicions(follow_job(PRIOR, [*history_of(*moves_mm), *then]))


def predictive_sd(rounds_after: int) -> float:
    """By hand: as-found round, rounds after, response, what the move adds."""
    added = move_variance(np.array([EXPECTED, 0.0, 0.0, 0.0]))[0, 0]
    return math.sqrt(VARIANCE + VARIANCE / rounds_after + (20 * 0.15) ** 2 + added)


@pytest.mark.parametrize(
    ("move_mm", "kind", "finding"),
    [
        (0.3, "not_responding", "corner_not_responding"),
        (-17.0, "reversed", "corner_reversed"),
        (6.0, "weak", "corner_weak"),
    ],
)
def test_a_second_round_confirms_and_names(move_mm: float, kind: str, finding: str) -> None:
    (first,) = suspicions_after(move_mm)
    assert (first.move, first.corner, first.kind) == (1, "FL", kind)
    assert (first.confirmed, first.finding) == (False, None)
    (second,) = suspicions_after(move_mm, move_mm)
    assert (second.kind, second.confirmed, second.finding) == (kind, True, finding)


@pytest.mark.parametrize(
    ("ratio", "kind"),
    [
        (-0.51, "reversed"),
        (-0.49, "not_responding"),
        (0.1499, "not_responding"),
        (0.1501, "weak"),
        (0.64, "weak"),
    ],
)
def test_what_answers_is_named_by_its_share_of_the_expected_move(ratio: float, kind: str) -> None:
    """After three rounds twice the uncertainty of the share, 2·1.33/18 = 0.148, lies below 0.15."""
    certain = follow_job(replace(PRIOR, covariance=PRIOR.covariance / 25.0), history_of(*(ratio * EXPECTED,) * 3))
    (found,) = find_suspicions(certain)
    assert found.kind == kind
    assert found.ratio == pytest.approx(ratio)


def test_what_answers_by_more_than_that_is_unusual_and_no_fault() -> None:
    certain = follow_job(replace(PRIOR, covariance=PRIOR.covariance / 25.0), history_of(*(0.66 * EXPECTED,) * 3))
    assert find_suspicions(certain) == ()


def test_a_misreading_asks_for_one_more_round_and_then_accuses_nobody() -> None:
    """Twice the expected move: no fault of a corner does that."""
    (first,) = suspicions_after(34.0)
    assert (first.kind, first.confirmed) == ("mis_measured", False)
    assert suspicions_after(34.0, 34.0) == ()


def test_a_second_round_that_disagrees_clears_the_suspicion() -> None:
    assert suspicions_after(5.0)
    assert suspicions_after(5.0, 17.0) == ()


def test_the_residual_must_exceed_three_predictive_standard_deviations() -> None:
    limit = 3.0 * predictive_sd(1)
    assert suspicions_after(EXPECTED - limit + 0.01) == ()
    (found,) = suspicions_after(EXPECTED - limit - 0.01)
    assert found.predictive_sd_mm == pytest.approx(predictive_sd(1))
    assert found.residual_mm == pytest.approx(-limit - 0.01)
    assert found.expected_move_mm == pytest.approx(EXPECTED)
    assert found.ratio == pytest.approx(found.observed_move_mm / EXPECTED)


def test_the_expected_move_must_exceed_three_uncertainties_of_the_difference() -> None:
    """Five counts move 4.5 mm, u of the difference is 1.63 mm: whatever is then measured accuses nobody."""
    little: Counts = (105, 100, 100, 100)
    more: Counts = (106, 100, 100, 100)
    small = follow_job(PRIOR, [a_round(480.0), a_round(470.0, little)])
    assert find_suspicions(small) == ()
    assert 5 * 0.9 < 3 * math.sqrt(2 * VARIANCE) < 6 * 0.9
    large = follow_job(PRIOR, [a_round(480.0), a_round(470.0, more)])
    assert [s.corner for s in find_suspicions(large)] == ["FL"]


def test_an_unmoved_corner_is_never_suspect() -> None:
    shifted = replace(a_round(486.0, MOVED), heights_mm=(486.0, 510.0, 504.0, 504.0))
    found = find_suspicions(follow_job(PRIOR, [a_round(468.0), shifted, shifted]))
    assert found == ()


def test_an_event_at_the_corner_clears_it_and_one_elsewhere_does_not() -> None:
    assert suspicions_after(0.0, 0.0, then=(CornerEvent(("FL",)),)) == ()
    assert suspicions_after(0.0, 0.0, then=(CornerEvent(("RR",)),))


def test_a_confirmed_suspicion_stands_after_a_later_write_and_an_unconfirmed_one_does_not() -> None:
    further: Counts = (130, 100, 100, 100)
    later = (StoredSetpoints(further), a_round(470.0, further))
    assert [s.confirmed for s in suspicions_after(0.0, 0.0, then=later) if s.confirmed] == [True]
    assert [s for s in suspicions_after(0.0, then=later) if s.expected_move_mm > 15] == []


def test_a_write_without_a_round_yet_accuses_nobody() -> None:
    assert suspicions_after() == ()


def test_a_negative_response_is_judged_by_its_own_direction() -> None:
    falling = replace(SPECIFICATION, front=replace(SPECIFICATION.front, response_mm_per_count=-0.9))
    lowered: Counts = (80, 100, 100, 100)
    prior = prior_from_specification(falling)
    right = follow_job(prior, [a_round(468.0), a_round(486.0, lowered)])
    wrong = follow_job(prior, [a_round(468.0), a_round(450.0, lowered)])
    assert find_suspicions(right) == ()
    assert [s.kind for s in find_suspicions(wrong)] == ["reversed"]


def test_ordinary_vehicles_are_hardly_ever_suspect() -> None:
    """Simulated moves as the prior has them: two rounds both beyond three standard deviations stay under 0.5 %."""
    rng = np.random.default_rng(51)
    stopped = 0
    for _ in range(1000):
        response = rng.normal(0.9, 0.15)
        move = 20 * response
        rounds = (move + rng.normal(0.0, 1.15), move + rng.normal(0.0, 1.15))
        history = [a_round(468.0 + rng.normal(0.0, 1.15)), *(a_round(468.0 + each, MOVED) for each in rounds)]
        stopped += any(s.finding for s in find_suspicions(follow_job(PRIOR, history)))
    assert stopped <= 5
