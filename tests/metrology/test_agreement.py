"""Rounds of one pool against each other. Source: ISO 5725-6, critical difference of two groups (from memory)."""

from __future__ import annotations

import math

import pytest
from scipy.stats import norm

from calibration.metrology.agreement import JOINT_99, contradictions, critical_difference_mm
from calibration.metrology.pooling import CornerRound, RoundMeasurement
from calibration.metrology.readings import Repeatability
from calibration.metrology.uncertainty import Instrument

TAPE = Instrument("tape 1", 1.0, "II")


def corner_round(readings: int, spread_mm: float = 1.0, resolution_mm: float = 1.0, factor: float = 1.0) -> CornerRound:
    return CornerRound(486.0, readings, "mean", factor, Repeatability(spread_mm, 12), resolution_mm, 0.3, True)


def test_four_corners_together_exceed_it_by_reading_alone_in_one_round_of_a_hundred() -> None:
    """Bonferroni's inequality, with SciPy's normal quantile."""
    assert pytest.approx(norm.ppf(1 - 0.01 / 4 / 2), abs=0.005) == JOINT_99


def measured(front_left_mm: float, *, identity: str = "", readings: int = 2) -> RoundMeasurement:
    heights = ((front_left_mm,) * readings, (486.0,) * readings, (504.0,) * readings, (504.0,) * readings)
    return RoundMeasurement(heights, Repeatability(1.0, 12), (TAPE,), identity)


@pytest.mark.parametrize(("n1", "n2"), [(2, 2), (2, 4), (4, 6)])
def test_without_settling_or_scale_it_is_the_critical_difference_of_iso_5725_6(n1: int, n2: int) -> None:
    """ISO 5725-6 gives CD = 2.8·s_r·√(1/(2·n₁) + 1/(2·n₂)) for two groups in one laboratory, at 95 %; f(2) = 2.8."""
    found = critical_difference_mm([corner_round(n1, resolution_mm=1e-9)], corner_round(n2, resolution_mm=1e-9), 0.0)
    at_95 = found * norm.ppf(0.975) / JOINT_99
    assert at_95 == pytest.approx(2.8 * math.sqrt(1 / (2 * n1) + 1 / (2 * n2)), rel=0.011)


def test_the_readings_of_all_rounds_before_count_together_with_the_largest_spread() -> None:
    earlier = [corner_round(2, 0.8), corner_round(2, 1.2)]
    assert critical_difference_mm(earlier, corner_round(2), 1.5) == pytest.approx(
        3 + 1 + JOINT_99 * 1.2 * math.sqrt(1 / 4 + 1 / 2)
    )


def test_a_median_counts_as_fewer_readings() -> None:
    assert critical_difference_mm([corner_round(4, factor=1.25)], corner_round(2), 1.5) == pytest.approx(
        3 + 1 + JOINT_99 * math.sqrt(1.25**2 / 4 + 1 / 2)
    )


@pytest.mark.parametrize(("difference_mm", "is_told"), [(7.0, False), (7.1, True), (-7.1, True)])
def test_what_is_above_the_limit_is_told_of_the_later_round(difference_mm: float, is_told: bool) -> None:
    rounds = [measured(486.0, identity="first"), measured(486.0 + difference_mm, identity="second")]
    found = contradictions(rounds, settling_mm=1.5)
    assert [(each.code, each.corner, each.values["round"]) for each in found] == (
        [("rounds_disagree", "FL", "second")] if is_told else []
    )


def test_a_contradiction_is_for_review_and_carries_what_it_was_judged_by() -> None:
    rounds = [measured(486.0, identity="first"), measured(494.0, identity="second")]
    (found,) = contradictions(rounds, settling_mm=1.5)
    assert found.severity == "review"
    assert dict(found.values) == {
        "round": "second",
        "value_mm": 494.0,
        "before_mm": 486.0,
        "limit_mm": pytest.approx(4.0 + JOINT_99),
    }


def test_a_single_round_contradicts_nothing() -> None:
    assert contradictions([measured(400.0)], settling_mm=1.5) == ()
