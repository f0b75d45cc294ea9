"""Verdicts with guard bands, conformance probability and what would decide."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from calibration.metrology.conformity import (
    conformance_probability,
    fewest_to_decide,
    is_significant,
    joint_verdict,
    verdict,
)
from calibration.metrology.errors import MetrologyError
from tests.metrology.reference import reference_json

PUBLISHED = reference_json("conformity.json")
JCGM_106 = {example["id"].split(" (")[0]: example for example in PUBLISHED["jcgm_106_2012"]}
lengths = st.floats(0, 100, allow_nan=False)


class TestVerdict:
    @pytest.mark.parametrize(
        ("deviation", "expected"),
        [
            (0.0, "within"),
            (4.0, "within"),
            (-4.0, "within"),
            (4.01, "undecided"),
            (6.0, "undecided"),
            (8.0, "undecided"),
            (-8.0, "undecided"),
            (8.01, "outside"),
            (-8.01, "outside"),
        ],
    )
    def test_has_a_guard_band_of_one_uncertainty_on_either_side(self, deviation: float, expected: str) -> None:
        assert verdict(deviation, 2.0, 6.0) == expected

    def test_of_a_tolerance_smaller_than_the_uncertainty_is_never_within(self) -> None:
        assert verdict(0.0, 2.0, 1.9) == "undecided"

    @given(deviation=lengths, expanded=lengths, limit=lengths)
    def test_does_not_depend_on_the_sign(self, deviation: float, expanded: float, limit: float) -> None:
        assert verdict(deviation, expanded, limit) == verdict(-deviation, expanded, limit)

    @given(deviation=lengths, expanded=lengths, limit=lengths, share=st.floats(0, 1))
    def test_once_decided_stays_decided_with_less_uncertainty(
        self, deviation: float, expanded: float, limit: float, share: float
    ) -> None:
        before = verdict(deviation, expanded, limit)
        after = verdict(deviation, expanded * share, limit)
        assert before in ("undecided", after)

    @pytest.mark.parametrize(("expanded", "limit"), [(-0.1, 6.0), (2.0, -6.0), (math.nan, 6.0), (2.0, math.nan)])
    def test_refuses_negative_or_missing_numbers(self, expanded: float, limit: float) -> None:
        with pytest.raises(MetrologyError, match="from 0"):
            verdict(0.0, expanded, limit)

    @pytest.mark.parametrize(
        ("given_verdicts", "joint"),
        [
            (["within", "within"], "within"),
            (["within", "undecided"], "undecided"),
            (["undecided", "outside", "within"], "outside"),
            ([], "within"),
        ],
    )
    def test_of_several_is_the_worst(self, given_verdicts: list[str], joint: str) -> None:
        assert joint_verdict(given_verdicts) == joint  # type: ignore[arg-type]


class TestConformanceProbability:
    def test_matches_the_two_sided_example_of_jcgm_106(self) -> None:
        # JCGM 106:2012, viscosity of an oil: from memory, arithmetic recomputed in the reference file.
        example = JCGM_106["two-sided limits"]
        lower, upper = example["given"]["T_L"], example["given"]["T_U"]
        found = conformance_probability(
            example["given"]["y"] - (lower + upper) / 2, example["given"]["u"], (upper - lower) / 2
        )
        assert round(found, 2) == example["published"]["p_c"]
        assert found == pytest.approx(example["recomputed"]["p_c"], abs=1e-5)

    def test_matches_the_one_sided_example_of_jcgm_106(self) -> None:
        # JCGM 106:2012, breakdown voltage: from memory. The other limit is put where it cannot matter.
        example = JCGM_106["one-sided limit"]
        limit, far = -5.40, 100.0
        found = conformance_probability(example["given"]["y"] - (limit - far), example["given"]["u"], far)
        assert round(found, 2) == example["published"]["p_c"]
        assert found == pytest.approx(example["recomputed"]["p_c"], abs=1e-5)

    @pytest.mark.parametrize("row", PUBLISHED["ilac_g8_09_2019"]["table_w_over_U_vs_specific_risk"])
    def test_at_the_acceptance_limit_keeps_the_risk_of_ilac_g8(self, row: dict[str, float | str]) -> None:
        # ILAC-G8:09/2019: the rows w = 0 and w = U read, the others from memory.
        width, standard = float(row["w/U"]), 1.0
        accepted_at = 1000.0 - width * 2 * standard
        risk = 1 - conformance_probability(accepted_at, standard, 1000.0)
        exact = float(row["exact_at_AL"])
        expected = exact if row["side"] == "false accept" else 1 - exact
        assert risk == pytest.approx(expected, rel=1e-3, abs=1e-12)
        bound = float(str(row["risk_bound"]).lstrip("<"))
        assert min(risk, 1 - risk) <= bound + 1e-12

    @given(deviation=st.floats(-50, 50), standard=st.floats(0.01, 20), limit=lengths)
    def test_is_the_normal_probability_of_the_tolerance(self, deviation: float, standard: float, limit: float) -> None:
        scipys = norm.cdf(limit, deviation, standard) - norm.cdf(-limit, deviation, standard)
        assert conformance_probability(deviation, standard, limit) == pytest.approx(scipys, abs=1e-12)

    def test_keeps_its_precision_far_outside(self) -> None:
        expected = norm.sf(30.0)
        assert conformance_probability(36.0, 1.0, 6.0) == pytest.approx(expected, rel=1e-9)
        assert conformance_probability(-36.0, 1.0, 6.0) == pytest.approx(expected, rel=1e-9)

    def test_without_uncertainty_is_certain(self) -> None:
        assert conformance_probability(6.0, 0.0, 6.0) == 1.0
        assert conformance_probability(6.1, 0.0, 6.0) == 0.0

    @pytest.mark.parametrize(("standard", "limit"), [(-1.0, 6.0), (1.0, -6.0)])
    def test_refuses_negative_numbers(self, standard: float, limit: float) -> None:
        with pytest.raises(MetrologyError, match="from 0"):
            conformance_probability(0.0, standard, limit)


def test_a_deviation_is_significant_only_above_its_uncertainty() -> None:
    assert [is_significant(value, 2.5) for value in (2.5, 2.51, -2.51)] == [False, True, True]


class TestFewestToDecide:
    def test_counts_the_steps_until_the_guard_band_is_left(self) -> None:
        assert fewest_to_decide(4.0, 6.0, [2.6, 2.2, 1.9]) == 3
        assert fewest_to_decide(8.0, 6.0, [2.6, 1.9, 1.5]) == 2

    def test_is_none_when_no_step_decides(self) -> None:
        assert fewest_to_decide(6.0, 6.0, [2.6, 1.9, 1.5]) is None
        assert fewest_to_decide(0.0, 6.0, []) is None

    def test_takes_no_more_uncertainties_than_needed(self) -> None:
        given_uncertainties = iter([1.0, 0.5])
        assert fewest_to_decide(4.0, 6.0, given_uncertainties) == 1
        assert next(given_uncertainties) == 0.5
