"""Budgets: combination, effective degrees of freedom, coverage factor, instruments, differences."""

from __future__ import annotations

import math
from typing import Any

import pytest
from GTC import rp, ureal  # type: ignore[import-untyped]
from scipy.stats import t as student

from calibration.metrology.errors import MetrologyError
from calibration.metrology.uncertainty import (
    MPE_COEFFICIENTS,
    AccuracyClass,
    Budget,
    CalibrationCertificate,
    Component,
    Instrument,
    change_budget,
    coverage_factor,
    effective_degrees_of_freedom,
    maximum_permissible_error_mm,
    rectangular,
    resolution_standard_uncertainty_mm,
    root_sum_of_squares,
    side_difference_budget,
)
from tests.metrology.reference import reference_json, reference_rows

H1 = reference_json("gum_h1_end_gauge.json")
TAPE_MPE = reference_json("tape_mpe.json")
CLASSES: tuple[AccuracyClass, ...] = ("I", "II", "III")


class TestGumEndGauge:
    """JCGM 100:2008, H.1: contributions in nm, the unit does not matter."""

    published = H1["published"]

    def budget(self) -> Budget:
        values = self.published["contributions_nm"]
        freedom = {row["q"]: row["dof"] or math.inf for row in H1["inputs"]}
        return Budget(tuple(Component(name, value, freedom[name]) for name, value in values.items()))

    def test_combined_standard_uncertainty(self) -> None:
        assert round(self.budget().standard_uncertainty_mm) == self.published["uc_nm"]

    def test_effective_degrees_of_freedom_are_truncated(self) -> None:
        assert self.budget().degrees_of_freedom == self.published["nu_eff_truncated"]

    def test_coverage_factor_and_expanded_uncertainty_for_99_percent(self) -> None:
        factor = coverage_factor(self.budget().degrees_of_freedom, 0.99)
        assert round(factor, 2) == self.published["t99_16"]
        assert round(factor * self.budget().standard_uncertainty_mm) == self.published["U99_nm"]

    def test_comparison_with_three_parts(self) -> None:
        difference = next(row for row in H1["inputs"] if row["q"] == "d")
        parts = [Component(part["note"], part["u"], part["dof"]) for part in difference["parts"]]
        combined = root_sum_of_squares(part.standard_uncertainty_mm for part in parts)
        assert round(combined, 1) == difference["u"]
        assert effective_degrees_of_freedom(parts) == math.floor(difference["dof"])


class TestCombination:
    def test_of_four_equal_components_has_four_times_their_degrees_of_freedom(self) -> None:
        # GUM G.4: four equal components with 10 degrees of freedom each give 40.
        assert effective_degrees_of_freedom([Component("part", 0.37, 10)] * 4) == 40

    @pytest.mark.parametrize("count", [2, 3, 6, 8])
    def test_is_not_truncated_below_a_whole_number_by_binary_rounding(self, count: int) -> None:
        assert effective_degrees_of_freedom([Component("part", 0.1, 1)] * count) == count

    @pytest.mark.parametrize(
        "parts",
        [
            [(0.71, 12.0), (0.87, math.inf), (0.29, math.inf), (0.58, math.inf), (0.29, math.inf)],
            [(2.0, 3.0), (0.5, 40.0), (1.1, 7.0)],
            [(0.3, 1.0), (5.0, 2.0)],
        ],
    )
    def test_agrees_with_an_independent_uncertainty_library(self, parts: list[tuple[float, float]]) -> None:
        budget = Budget(tuple(Component(str(row), u, freedom) for row, (u, freedom) in enumerate(parts)))
        result = sum((ureal(0, u, freedom) for u, freedom in parts), start=ureal(500, 0))
        assert budget.standard_uncertainty_mm == pytest.approx(result.u, rel=1e-12)
        assert budget.degrees_of_freedom == math.floor(result.df)
        factor = rp.k_factor(math.floor(result.df), 95)
        assert budget.coverage_factor == pytest.approx(factor, rel=1e-6)
        assert budget.expanded_uncertainty_mm == pytest.approx(factor * result.u, rel=1e-6)

    def test_of_type_b_components_only_has_the_normal_factor(self) -> None:
        budget = Budget((Component("marks", 0.6), Component("tape", 0.3)))
        assert budget.degrees_of_freedom == math.inf
        assert round(budget.coverage_factor, 3) == 1.96

    def test_of_nothing_is_no_uncertainty(self) -> None:
        assert Budget(()).expanded_uncertainty_mm == 0
        assert effective_degrees_of_freedom([Component("none", 0.0, 3)]) == math.inf

    def test_names_its_components(self) -> None:
        budget = Budget((Component("marks", 0.6), Component("tape", 0.3)))
        assert budget.standard_uncertainty_of("tape") == 0.3
        assert budget.standard_uncertainty_of("weather") == 0

    @pytest.mark.parametrize(
        ("standard", "freedom"),
        [(-0.1, 8.0), (math.nan, 8.0), (math.inf, 8.0), (0.1, 0.5), (0.1, math.nan)],
    )
    def test_refuses_impossible_components(self, standard: float, freedom: float) -> None:
        with pytest.raises(MetrologyError):
            Component("part", standard, freedom)


class TestCoverageFactor:
    @pytest.mark.parametrize("row", reference_rows("student_t_factors.csv"), ids=lambda row: row["dof"])
    def test_is_the_published_student_factor(self, row: dict[str, str]) -> None:
        # NIST TN 1297, Table B.1 (the same as GUM G.2); its cell 35/90 % misprints 1.69 as 1.70.
        freedom = float(row["dof"])
        for name, printed in row.items():
            if name == "dof" or (row["dof"], name) == ("35", "p90"):
                continue
            probability = {"p68.27": 0.6826895, "p95.45": 0.9544997, "p99.73": 0.9973002}.get(
                name, float(name[1:]) / 100
            )
            last_digit = 10.0 ** -len(printed.split(".")[1])
            found = coverage_factor(freedom, probability)
            assert found == pytest.approx(float(printed), abs=0.5001 * last_digit), name

    def test_agrees_with_scipy(self) -> None:
        for freedom in (1, 2, 7, 12, 147, 1000):
            assert coverage_factor(freedom) == pytest.approx(student.ppf(0.975, freedom), rel=1e-9)

    @pytest.mark.parametrize(
        ("freedom", "probability"), [(0.9, 0.95), (math.nan, 0.95), (5.0, 0.0), (5.0, 1.0), (5.0, math.nan)]
    )
    def test_refuses_impossible_arguments(self, freedom: float, probability: float) -> None:
        with pytest.raises(MetrologyError):
            coverage_factor(freedom, probability)


class TestInstrument:
    @pytest.mark.parametrize("row", reference_rows("tape_mpe.csv"), ids=lambda row: row["L_m_rounded_up"])
    @pytest.mark.parametrize("accuracy_class", CLASSES)
    def test_permissible_error_is_the_published_one(self, row: dict[str, str], accuracy_class: AccuracyClass) -> None:
        # Directive 2014/32/EU, Annex X, chapter I.
        length_mm = float(row["L_m_rounded_up"]) * 1000
        published = float(row[f"class_{accuracy_class}_mm"])
        assert maximum_permissible_error_mm(accuracy_class, length_mm) == pytest.approx(published)

    @pytest.mark.parametrize("accuracy_class", CLASSES)
    def test_coefficients_are_the_published_ones(self, accuracy_class: AccuracyClass) -> None:
        published = TAPE_MPE["coefficients"][accuracy_class]
        assert MPE_COEFFICIENTS[accuracy_class] == (
            published["a_mm"],
            published["b_mm_per_m"],
            published["c_mm"],
        )

    @pytest.mark.parametrize("example", TAPE_MPE["examples"], ids=lambda row: str(row["measured_mm"]))
    def test_length_is_rounded_up_and_a_hook_adds_its_share(self, example: dict[str, float]) -> None:
        length = example["measured_mm"]
        plain = maximum_permissible_error_mm("II", length)
        hooked = maximum_permissible_error_mm("II", length, hook_end=True)
        assert [plain, hooked] == pytest.approx([example["class_II_mm"], example["with_hook_mm"]])

    def test_a_whole_metre_is_not_rounded_up_further(self) -> None:
        assert maximum_permissible_error_mm("II", 1000.0) == 0.5
        assert maximum_permissible_error_mm("II", 1000.1) == 0.7

    def test_of_a_class_is_taken_as_rectangular(self) -> None:
        plain, hooked = Instrument("t", 1.0, "II"), Instrument("t", 1.0, "II", hook_end=True)
        assert plain.standard_uncertainty_mm(742) == pytest.approx(0.5 / math.sqrt(3))
        assert hooked.standard_uncertainty_mm(742) == pytest.approx(0.7 / math.sqrt(3))

    def test_with_a_certificate_goes_by_it(self) -> None:
        tape = Instrument("t", 1.0, CalibrationCertificate(0.30, 2.0), hook_end=True)
        assert tape.standard_uncertainty_mm(742) == tape.standard_uncertainty_mm(1742) == 0.15

    @pytest.mark.parametrize("length", [0.0, -1.0, math.nan, math.inf])
    def test_refuses_an_impossible_length(self, length: float) -> None:
        with pytest.raises(MetrologyError, match="length_mm"):
            maximum_permissible_error_mm("II", length)

    def test_refuses_an_unknown_class(self) -> None:
        with pytest.raises(MetrologyError, match="I, II or III"):
            maximum_permissible_error_mm("IV", 742)  # type: ignore[arg-type]

    @pytest.mark.parametrize("resolution", [0.0, -1.0, math.nan])
    def test_refuses_an_impossible_resolution(self, resolution: float) -> None:
        with pytest.raises(MetrologyError, match="resolution_mm"):
            Instrument("t", resolution, "II")

    @pytest.mark.parametrize(("expanded", "factor"), [(-0.1, 2.0), (math.nan, 2.0), (0.1, 0.0), (0.1, math.inf)])
    def test_refuses_an_impossible_certificate(self, expanded: float, factor: float) -> None:
        with pytest.raises(MetrologyError):
            CalibrationCertificate(expanded, factor)


def test_rectangular_and_resolution_follow_the_gum() -> None:
    # GUM 4.3.7 and F.2.2.1, where δ/√12 is printed as 0.29 δ.
    assert rectangular(1.0) == pytest.approx(1 / math.sqrt(3))
    assert round(resolution_standard_uncertainty_mm(1.0), 2) == 0.29


class TestDifferences:
    """Against the same differences built from the errors themselves in an independent library (GTC)."""

    repeatability, settling, resolution, marks, tape = 0.71, 0.87, 0.29, 0.58, 0.31

    def corner(self, *, one_instrument: bool = True) -> Budget:
        return Budget(
            (
                Component("repeatability", self.repeatability, 12),
                Component("settling", self.settling),
                Component("resolution", self.resolution),
                Component("mark_placement", self.marks, common_to_rounds=True),
                Component("instrument", self.tape, common_to_rounds=True, common_to_sides=one_instrument),
            )
        )

    def measured(self, *shared: Any) -> Any:
        """A height with errors of its own, plus those it shares with others."""
        own = (self.repeatability, self.settling, self.resolution)
        return sum((ureal(0, value) for value in own), start=ureal(500, 0)) + sum(shared[1:], start=shared[0])

    def test_left_minus_right_leaves_out_one_tape(self) -> None:
        tape = ureal(0, self.tape)
        left, right = (self.measured(tape, ureal(0, self.marks)) for _ in range(2))
        found = side_difference_budget(self.corner(), self.corner())
        assert found.standard_uncertainty_mm == pytest.approx((left - right).u)
        assert [part.name for part in found.components] == [
            "repeatability", "settling", "resolution", "mark_placement",
        ]  # fmt: skip

    def test_left_minus_right_keeps_two_tapes(self) -> None:
        left, right = (self.measured(ureal(0, self.tape), ureal(0, self.marks)) for _ in range(2))
        corner = self.corner(one_instrument=False)
        found = side_difference_budget(corner, corner)
        assert found.standard_uncertainty_mm == pytest.approx((left - right).u)

    def test_after_minus_before_leaves_out_the_marks_and_one_tape(self) -> None:
        tape, marks = ureal(0, self.tape), ureal(0, self.marks)
        before, after = (self.measured(tape, marks) for _ in range(2))
        found = change_budget(self.corner(), self.corner(), same_instrument=True)
        assert found.standard_uncertainty_mm == pytest.approx((after - before).u)

    def test_after_minus_before_keeps_two_tapes(self) -> None:
        marks = ureal(0, self.marks)
        before, after = (self.measured(ureal(0, self.tape), marks) for _ in range(2))
        found = change_budget(self.corner(), self.corner(), same_instrument=False)
        assert found.standard_uncertainty_mm == pytest.approx((after - before).u)

    def test_degrees_of_freedom_of_one_repeatability_are_not_counted_twice(self) -> None:
        # One s_r: left minus right has √2 times its value as the single Type A component (GTC).
        once = ureal(0, self.repeatability * math.sqrt(2), 12)
        rest = (self.settling, self.resolution, self.marks)
        others = sum((ureal(0, value * math.sqrt(2)) for value in rest), start=ureal(0, 0))
        found = side_difference_budget(self.corner(), self.corner())
        assert found.degrees_of_freedom == math.floor((once + others).df)

    def test_refuses_budgets_of_different_make(self) -> None:
        short = Budget(self.corner().components[:-1])
        with pytest.raises(MetrologyError, match="components"):
            side_difference_budget(self.corner(), short)
        with pytest.raises(MetrologyError, match="components"):
            change_budget(short, self.corner(), same_instrument=True)
