"""Intervals and verdicts of the marks, that the one command prints them all, and that the leak test's can be missed."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.simulator import drift_marks
from tests.simulator.all_marks import FLEET, Found, report
from tests.simulator.job_marks import SCENARIOS, simulate
from tests.simulator.leak_marks import leaking_corners, marks_of_leaks, tight_corners
from tests.simulator.learning import later_visits, wrong_specification
from tests.simulator.marks import LIMITS, Mark, mean, per_thirty_years, ratio, share

RANDOM_SEED = 40213
PARKED = 250


def test_intervals_of_counts_are_the_exact_ones() -> None:
    """Clopper-Pearson 8 of 10: 0.444 to 0.975; Poisson 0: up to 3.689 (from memory, common tables)."""
    found = share("share", [True] * 8 + [False] * 2)
    assert (found.value, found.low, found.high) == pytest.approx((0.8, 0.4439, 0.9748), abs=1e-4)
    none = per_thirty_years("rate", 0, 30.0)
    assert (none.value, none.low, none.high) == pytest.approx((0.0, 0.0, 3.6889), abs=1e-4)


def test_intervals_of_means_and_ratios_hold_the_truth_as_often_as_they_say() -> None:
    rng = np.random.default_rng(3)
    drawn = [(rng.poisson(1.4, 60), rng.poisson(4.2, 60) + 1) for _ in range(800)]
    of_means = [mean("mean", ours.tolist()) for ours, _ in drawn]
    of_ratios = [ratio("ratio", ours.tolist(), theirs.tolist()) for ours, theirs in drawn]
    for found, truth in ((of_means, 1.4), (of_ratios, 1.4 / 5.2)):
        assert 0.92 < np.mean([each.low <= truth <= each.high for each in found]) < 0.975


def test_a_mark_is_met_up_to_its_limit_and_a_figure_of_nothing_meets_none() -> None:
    least, most = "signed off with at most one write", "later visits: writes / hand method's writes"

    def met(name: str, value: float) -> bool | None:
        return Mark(name, value, value, value, "1").met

    assert (met(least, 0.6), met(least, 0.599), met(most, 0.28), met(most, 0.281)) == (True, False, True, False)
    assert (share(least, []).met, ratio(most, [], []).met, mean("rounds a job", []).met) == (False, False, False)
    assert met("of this nothing is asked", 0.0) is None
    assert math.isinf(mean("rounds a job", [3.0]).high)


def test_a_small_sample_shows_a_mark_missed_only_where_its_whole_interval_misses() -> None:
    most, least = "rounds a job", "arrived true, left untouched"
    assert not Mark(most, 3.6, 3.4, 3.8, "9").shown_missed
    assert Mark(most, 3.7, 3.6, 3.8, "9").shown_missed
    assert not share(least, [True] * 39 + [False]).shown_missed
    assert share(least, [True] * 36 + [False] * 4).shown_missed
    assert share("endless jobs", [True] + [False] * 99).shown_missed
    assert not Mark("of this nothing is asked", 9.0, 9.0, 9.0, "1").shown_missed


@pytest.fixture(scope="module")
def found() -> Found:
    """One vehicle a scenario, as the command finds them."""
    parked = marks_of_leaks(tight_corners(PARKED, RANDOM_SEED), leaking_corners(PARKED, RANDOM_SEED))
    return Found(
        [outcome for scenario in SCENARIOS for outcome in simulate("estate", scenario, 1, RANDOM_SEED)],
        later_visits("estate", 1, RANDOM_SEED, learns=True),
        wrong_specification("estate", 0.8, RANDOM_SEED, 1, learns=True, teaching=2),
        [*parked, *drift_marks.marks(20 * FLEET, RANDOM_SEED, drift_marks.Setting())],
    )


def test_the_one_command_holds_a_figure_against_every_limit(found: Found) -> None:
    assert sorted(mark.name for mark in found.marks() if mark.limit) == sorted(LIMITS)
    head, *lines = report(found, 1, RANDOM_SEED)
    assert f"random seed {RANDOM_SEED}" in head
    judged = [line for line in lines if line.endswith(("met", "MISSED"))]
    assert len(judged) == len(LIMITS)
    assert all(any(sign in line for sign in "≥≤") and "[" in line for line in judged)


def test_cooling_alone_is_no_leak_and_a_leak_is_none_the_less_one_in_the_cold(found: Found) -> None:
    marks = {mark.name: mark for mark in found.marks()}
    assert marks["cooling alone called a leak"].met
    assert marks["leaks called tight"].met
    assert marks["leaks found at once"].value > 0.7
    assert marks["true sinking rates within ± U"].value > 0.9


def test_without_temperatures_cooling_passes_for_a_leak_and_warming_hides_one() -> None:
    """The negative control: the same nights, and nobody noted the temperatures."""
    tight, leaking = (each(PARKED, RANDOM_SEED, corrected=False) for each in (tight_corners, leaking_corners))
    false, missed, *_ = marks_of_leaks(tight, leaking)
    assert (false.met, missed.met) == (False, False)
