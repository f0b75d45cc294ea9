"""What a write does to the filter's state, number by number, and to what is measured after it."""

from __future__ import annotations

import math
from dataclasses import fields, replace

import numpy as np
import pytest

from calibration.metrology.drift_charts import ChartRules
from calibration.metrology.drift_filter import after_write, measured
from calibration.metrology.drift_state import DAYS_PER_YEAR, DriftStates, Wander, fresh_states

STEADY = Wander(0.0, 0.0, math.inf)
NO_STEPS = ChartRules(10.0, 1e9, 10.0, 1e9)
WRITTEN, LEFT, UNKNOWN = range(3)
"""A corner that was measured and written, one that was measured only, one that was written before any measurement."""
CHANGE_MM = np.array([-4.0, np.nan, 7.0])
VARIANCE_MM2 = np.array([2.5, np.nan, 1.5])


def before() -> DriftStates:
    """Three corners whose every field has a value of its own."""
    states = fresh_states(3)
    numbered = {
        each.name: 10.0 * (number + 1) + np.array([1.0, 2.0, 3.0]) for number, each in enumerate(fields(states))
    }
    return replace(states, **numbered | {"visits": np.array([4.0, 5.0, 0.0])})


def changed_fields(was: DriftStates, now: DriftStates, corner: int) -> dict[str, float]:
    """What a corner's fields are that are not what they were."""
    pairs = {each.name: (getattr(was, each.name)[corner], getattr(now, each.name)[corner]) for each in fields(was)}
    return {
        name: float(new) for name, (old, new) in pairs.items() if not (old == new or (np.isnan(old) and np.isnan(new)))
    }


def test_of_a_written_corner_the_level_shifts_its_charts_begin_anew_and_all_else_stays() -> None:
    was = before()
    now = changed_fields(was, after_write(was, CHANGE_MM, VARIANCE_MM2), WRITTEN)
    assert {name for name, value in now.items() if math.isnan(value)} == {"last_mm", "step_mm", "step_day"}
    assert {name: value for name, value in now.items() if not math.isnan(value)} == {
        "level": was.level[WRITTEN] - 4.0,
        "level_variance": was.level_variance[WRITTEN] + 2.5,
        "cusum_high": 0.0,
        "cusum_low": 0.0,
    }


def test_of_a_corner_that_was_not_written_nothing_changes() -> None:
    was = before()
    assert changed_fields(was, after_write(was, CHANGE_MM, VARIANCE_MM2), LEFT) == {}


def test_of_a_corner_that_nobody_has_measured_only_its_step_is_dealt_with() -> None:
    """There is no level that could shift: the first height sets it."""
    was = before()
    now = changed_fields(was, after_write(was, CHANGE_MM, VARIANCE_MM2), UNKNOWN)
    assert set(now) == {"step_mm", "step_day"}


@pytest.mark.parametrize("number", range(4))
def test_two_writes_of_corners_with_variances_of_their_own_are_one_least_squares_problem(number: int) -> None:
    """Unknown: level at the end, rate (with its prior), and the change at either write, which is measured by itself."""
    rng = np.random.default_rng([95, number])
    days = np.cumsum(rng.uniform(3.0, 200.0, 9))
    heights, variances = rng.normal(0.0, 4.0, (9, 2)), rng.uniform(0.5, 3.0, 9)
    writes = {
        3: (rng.normal(0.0, 6.0, 2), rng.uniform(0.2, 4.0, 2)),
        6: (rng.normal(0.0, 6.0, 2), rng.uniform(0.2, 4.0, 2)),
    }
    states = fresh_states(2)
    for n, (day, height, variance) in enumerate(zip(days, heights, variances, strict=True)):
        if n in writes:
            states = after_write(states, *writes[n])
        states = measured(states, day, height, variance, wander=STEADY, rules=NO_STEPS)
    for corner in range(2):
        level, rate, covariance = line_by_least_squares(days, heights[:, corner], variances, writes, corner)
        assert (states.level[corner], states.rate[corner]) == pytest.approx((level, rate), abs=1e-9)
        mine = states.level_variance[corner], states.covariance[corner], states.rate_variance[corner]
        assert mine == pytest.approx((covariance[0, 0], covariance[0, 1], covariance[1, 1]), abs=1e-9)


def line_by_least_squares(
    days: np.ndarray,
    heights: np.ndarray,
    variances: np.ndarray,
    writes: dict[int, tuple[np.ndarray, np.ndarray]],
    corner: int,
) -> tuple[float, float, np.ndarray]:
    """Rows of equal weight: heights by the level at the end, less what was written later; prior; changes expected."""
    years, order = (days - days[-1]) / DAYS_PER_YEAR, list(writes)
    rows = [[1.0, years[n], *[-float(n < at) for at in order]] for n in range(days.size)]
    rows += [[0.0, 1.0, *[0.0] * len(order)]]
    rows += [[0.0, 0.0, *[float(at == each) for each in order]] for at in order]
    start = fresh_states(1)
    values = [*heights, float(start.rate[0]), *[writes[at][0][corner] for at in order]]
    spread = [*variances, float(start.rate_variance[0]), *[writes[at][1][corner] for at in order]]
    weight = 1.0 / np.sqrt(np.array(spread))
    design = np.array(rows) * weight[:, None]
    solution = np.linalg.lstsq(design, np.array(values) * weight, rcond=None)[0]
    return float(solution[0]), float(solution[1]), np.linalg.inv(design.T @ design)
