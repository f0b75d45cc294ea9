"""A vehicle's series: the filter told of one observation after another."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from calibration.metrology.drift_filter import after_event, after_write, measured
from calibration.metrology.drift_series import (
    Basis,
    Judged,
    Measured,
    Moved,
    Observation,
    PutRight,
    Worked,
    beginning,
    follow_series,
    marks,
)
from calibration.metrology.drift_state import fresh_states
from calibration.metrology.rate_prior import RatePrior

TARGETS = (486.0, 486.0, 504.0, 504.0)
BASIS = Basis(TARGETS, (6.0,) * 4, 8.0, 182.6)
NAN = math.nan


def seen(day: float, deviations: tuple[float, float, float, float], basis: Basis = BASIS) -> Measured:
    a, b, c, d = (target + deviation for target, deviation in zip(basis.target_mm, deviations, strict=True))
    return Measured(day, basis, (a, b, c, d), (1.69,) * 4, (0.08,) * 4, (2.6,) * 4)


def test_a_series_is_the_filter_step_by_step() -> None:
    found = follow_series(
        beginning(RatePrior(0.5, 25.0, 40)),
        [
            seen(0.0, (1.0, 9.0, 0.0, 0.0)),
            seen(60.0, (2.0, NAN, 0.0, 0.0)),
            Moved(61.0, (NAN, -9.0, NAN, NAN), (NAN, 2.0, NAN, NAN)),
            seen(61.0, (2.0, 0.0, 0.0, 0.0)),
            Worked(90.0, (False, False, True, False), RatePrior(1.0, 30.0, 50)),
        ],
    )
    known = np.array([36.0 / 9.0, math.inf, 36.0 / 9.0, 36.0 / 9.0])
    states = replace(fresh_states(4, 0.5, 25.0), level_variance=known)
    states = measured(states, 0.0, np.array([1.0, 9.0, 0.0, 0.0]), 1.69, 0.08, expanded_uncertainty_mm=2.6)
    states = measured(states, 60.0, np.array([2.0, NAN, 0.0, 0.0]), 1.69, 0.08, expanded_uncertainty_mm=2.6)
    states = after_write(states, np.array([NAN, -9.0, NAN, NAN]), 2.0)
    states = measured(states, 61.0, np.array([2.0, 0.0, 0.0, 0.0]), 1.69, 0.08, expanded_uncertainty_mm=2.6)
    states = after_event(states, np.array([False, False, True, False]), 1.0, 30.0)
    np.testing.assert_array_equal(found.states.table(), states.table())
    assert found.basis == BASIS


def test_other_targets_move_deviations_and_not_heights() -> None:
    lower = replace(BASIS, target_mm=(476.0, 476.0, 504.0, 504.0))
    before = follow_series(beginning(), [seen(0.0, (1.0, 2.0, 3.0, 4.0)), seen(60.0, (1.0, 2.0, 3.0, 4.0))])
    after = follow_series(before, [Judged(61.0, lower)])
    np.testing.assert_allclose(after.states.level - before.states.level, [10.0, 10.0, 0.0, 0.0])
    np.testing.assert_allclose(after.states.last_mm - before.states.last_mm, [10.0, 10.0, 0.0, 0.0])
    same = follow_series(before, [seen(90.0, (1.0, 2.0, 3.0, 4.0))])
    moved = follow_series(after, [replace(seen(90.0, (1.0, 2.0, 3.0, 4.0)), basis=lower)])
    np.testing.assert_allclose(moved.states.rate, same.states.rate, atol=1e-9)
    np.testing.assert_allclose(moved.states.level - same.states.level, [10.0, 10.0, 0.0, 0.0], atol=1e-9)


def test_a_corner_never_measured_has_no_deviation_to_move() -> None:
    lower = replace(BASIS, target_mm=(476.0,) * 4)
    after = follow_series(beginning(), [seen(0.0, (1.0, NAN, NAN, NAN)), Judged(1.0, lower)])
    assert after.states.level[1:].tolist() == [0.0, 0.0, 0.0]


def test_set_points_changed_elsewhere_unsettle_a_level_and_keep_its_rate() -> None:
    steady = [seen(60.0 * number, (0.5 * number, 0.0, 0.0, 0.0)) for number in range(6)]
    before = follow_series(beginning(), steady)
    elsewhere = Moved(310.0, (0.0, NAN, NAN, NAN), (1e6, NAN, NAN, NAN))
    after = follow_series(before, [elsewhere, seen(310.0, (-12.0, 0.0, 0.0, 0.0))])
    assert after.states.level[0] == pytest.approx(-12.0, abs=0.01)
    assert after.states.rate[0] == pytest.approx(before.states.rate[0], abs=0.05)
    assert math.isnan(after.states.step_mm[0])


def test_a_sign_off_ends_a_step() -> None:
    stepped = [seen(60.0 * number, (0.0 if number < 3 else 9.0, 0.0, 0.0, 0.0)) for number in range(5)]
    before = follow_series(beginning(), stepped)
    assert before.states.step_mm[0] > 4.0
    assert math.isnan(follow_series(before, [PutRight(300.0)]).states.step_mm[0])


@pytest.mark.parametrize("cut", range(6))
def test_to_go_on_is_to_follow_from_the_beginning(cut: int) -> None:
    whole: list[Observation] = [
        seen(0.0, (1.0, 9.0, 0.0, -2.0)),
        seen(50.0, (2.0, NAN, 1.0, -2.0)),
        Moved(51.0, (NAN, -9.0, NAN, NAN), (NAN, 2.0, NAN, NAN)),
        seen(51.0, (2.0, 0.0, 0.0, 0.0)),
        PutRight(51.0),
        seen(120.0, (3.0, 0.5, 0.0, 0.0)),
    ]
    at_once = follow_series(beginning(), whole)
    in_two = follow_series(follow_series(beginning(), whole[:cut]), whole[cut:])
    np.testing.assert_array_equal(in_two.states.table(), at_once.states.table())
    assert marks(whole[:cut]) == marks(whole)[:cut]
