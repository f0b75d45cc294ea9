"""Average run lengths against the published tables (`arl_tables.csv`, certainty per row there)."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from scipy.special import ndtr

from calibration.metrology.errors import MetrologyError
from calibration.metrology.run_length import (
    decision_interval,
    markov_run_length,
    one_sided_run_length,
    two_sided_run_length,
)
from tests.metrology.reference import reference_rows

CUSUM_ROWS = [row for row in reference_rows("arl_tables.csv") if row["chart"].startswith("cusum")]
SHEWHART_ROWS = [row for row in reference_rows("arl_tables.csv") if row["chart"] == "shewhart"]


def constants(row: dict[str, str]) -> tuple[float, float]:
    k, h = re.findall(r"[kh]=([\d.]+)", row["parameters"])
    return float(k), float(h)


@pytest.mark.parametrize("row", CUSUM_ROWS, ids=lambda row: f"{row['chart']} {row['parameters']} {row['shift_sigma']}")
def test_run_lengths_are_those_of_the_published_tables(row: dict[str, str]) -> None:
    """Lucas and Crosier 1982, Brook and Evans 1972 and others, as named in the file; one unit of the last digit."""
    run_length = two_sided_run_length if "two-sided" in row["chart"] else one_sided_run_length
    found = run_length(*constants(row), float(row["shift_sigma"]))
    decimals = len(row["published_arl"].partition(".")[2])
    assert found == pytest.approx(float(row["published_arl"]), abs=1.001 * 10.0**-decimals)
    # The recomputed column keeps three decimals, or six.
    assert found == pytest.approx(float(row["recomputed_arl"]), abs=6e-4)


@pytest.mark.parametrize("row", SHEWHART_ROWS, ids=lambda row: row["shift_sigma"])
def test_with_no_decision_interval_the_sum_is_a_shewhart_chart(row: dict[str, str]) -> None:
    assert two_sided_run_length(3.0, 0.0, float(row["shift_sigma"])) == pytest.approx(
        float(row["recomputed_arl"]), abs=1e-5
    )


def test_enough_rows_were_read() -> None:
    assert (len(CUSUM_ROWS), len(SHEWHART_ROWS)) == (24, 2)


@pytest.mark.parametrize(("k", "h"), [(0.5, 3.0), (1.4, 2.0), (0.25, 4.0)])
def test_the_markov_chain_agrees_with_the_integral_equation(k: float, h: float) -> None:
    assert markov_run_length(lambda x: ndtr(x + k), h) == pytest.approx(one_sided_run_length(k, h), rel=2e-4)


def test_the_markov_chain_counts_the_observations_of_a_chart_that_is_run() -> None:
    """Addends that are not normal (exponential less 1.5): seeded Monte Carlo."""
    rng = np.random.default_rng(81)
    sums, lengths, runs = np.zeros(20000), np.zeros(20000), np.ones(20000, dtype=bool)
    while runs.any():
        lengths += runs
        sums = np.maximum(0.0, sums + rng.exponential(1.0, sums.size) - 1.5)
        runs &= sums <= 3.0
    expected = markov_run_length(lambda x: np.where(x > -1.5, -np.expm1(-(x + 1.5)), 0.0), 3.0)
    assert lengths.mean() == pytest.approx(expected, abs=4.0 * lengths.std() / math.sqrt(lengths.size))


@pytest.mark.parametrize("wanted", [50.0, 465.444, 2000.0, 6000.0])
def test_a_decision_interval_has_the_run_length_that_was_wanted(wanted: float) -> None:
    found = decision_interval(lambda h: two_sided_run_length(0.5, h), wanted)
    assert two_sided_run_length(0.5, found) == pytest.approx(wanted, rel=1e-6)


def test_what_no_chart_can_do_is_refused() -> None:
    with pytest.raises(MetrologyError, match="wanted"):
        decision_interval(lambda h: two_sided_run_length(2.0, h), 2.0)
    with pytest.raises(MetrologyError, match="wanted"):
        decision_interval(lambda h: 1.0 + h, 1000.0)
    with pytest.raises(MetrologyError, match="reference_value"):
        one_sided_run_length(-0.1, 1.0)
    with pytest.raises(MetrologyError, match="decision_interval"):
        one_sided_run_length(0.1, math.nan)
    with pytest.raises(MetrologyError, match="decision_interval"):
        markov_run_length(ndtr, 0.0)
