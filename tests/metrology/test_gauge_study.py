"""Crossed gauge study: against published and certified analyses, an independent library, and linear algebra."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import reduce
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas  # type: ignore[import-untyped]
import pytest
from scipy.stats import f as fisher
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from calibration.metrology.errors import MetrologyError
from calibration.metrology.gauge_study import CATEGORIES_FACTOR, POOLING_SIGNIFICANCE, Source, crossed_anova, study
from tests.metrology.reference import reference_json, reference_rows

if TYPE_CHECKING:
    from numpy.typing import NDArray

PUBLISHED = reference_json("gage_rr_results.json")
CERTIFIED = reference_json("nist_strd_certified.json")


def published_values() -> NDArray[np.float64]:
    """10 parts, 3 appraisers, 3 trials: the example of AIAG MSA, 4th edition."""
    rows = reference_rows("gage_rr_data.csv")
    assert [rows[3][name] for name in ("part", "appraiser", "trial")] == ["1", "B", "1"]
    return np.array([float(row["value"]) for row in rows]).reshape(10, 3, 3)


def simulated(
    levels: Sequence[int], replicates: int, deviations: Mapping[tuple[int, ...], float], repeatability: float, seed: int
) -> NDArray[np.float64]:
    """Values with a normal effect of the given standard deviation for each set of axes."""
    generator = np.random.default_rng(seed)
    values = generator.normal(500.0, repeatability, size=(*levels, replicates))
    for axes, deviation in deviations.items():
        shape = [n if axis in axes else 1 for axis, n in enumerate(levels)]
        values = values + generator.normal(0.0, deviation, size=(*shape, 1))
    return values


def by_name(table: Sequence[Source]) -> dict[str, Source]:
    return {line.name: line for line in table}


def fitted_by_library(values: NDArray[np.float64], model: str) -> Any:
    """The analysis of variance of statsmodels, after ordinary least squares."""
    cells = np.indices(values.shape).reshape(values.ndim, -1)
    columns = dict(zip(("part", "appraiser", "equipment"), cells[:-1], strict=False))
    return anova_lm(ols(f"y ~ {model}", pandas.DataFrame({**columns, "y": values.ravel()})).fit())


class TestPublishedStudy:
    """AIAG MSA, 4th edition: the data and the figures of the ANOVA method, as two public test suites quote them."""

    def test_analysis_of_variance(self) -> None:
        published, table = PUBLISHED["anova_table"], by_name(crossed_anova(published_values(), ["part", "appraiser"]))
        names = {"interaction": "part:appraiser", **{name: name for name in ("part", "appraiser", "repeatability")}}
        for printed, name in names.items():
            assert table[name].degrees_of_freedom == published["df"][printed]
            assert table[name].sum_of_squares == pytest.approx(published["SS"][printed], abs=5.1e-5)
            assert table[name].mean_square == pytest.approx(published["MS"][printed], abs=5.1e-6)
        assert sum(line.sum_of_squares for line in table.values()) == pytest.approx(
            published["SS"]["total"], abs=5.1e-5
        )
        ratios = [table[name].variance_ratio for name in ("part:appraiser", "part", "appraiser")]
        ratios_printed = [
            published[f"F_{name}"] for name in ("interaction", "part_over_interaction", "appraiser_over_interaction")
        ]
        assert ratios == pytest.approx(ratios_printed, abs=5.1e-4)
        assert table["part:appraiser"].significance == pytest.approx(published["p_interaction"], abs=5.1e-4)

    def test_standard_deviations_and_shares(self) -> None:
        found, published = study(published_values(), tolerance_mm=4.0), PUBLISHED["pooled"]
        shares = {"EV": found.repeatability, "AV": found.reproducibility, "GRR": found.measurement, "PV": found.part}
        assert found.pooled == ("part:appraiser",)
        for printed, share in shares.items():
            # GRR recomputes to 0.302372; the publication prints 0.302373.
            assert share.standard_deviation_mm == pytest.approx(published[printed], abs=1.6e-6), printed
            assert share.standard_deviation_mm**2 == pytest.approx(published["variance"][printed], abs=5.1e-6)
            assert share.contribution_pct == pytest.approx(published["pct_contribution"][printed], abs=0.051)
            assert share.study_variation_pct == pytest.approx(published["pct_study_var"][printed], abs=5.1e-3)
            assert share.tolerance_pct == pytest.approx(100 * 6 * published[printed] / 8.0, abs=2e-4)
        assert found.total.standard_deviation_mm == pytest.approx(published["TV"], abs=5.1e-4)
        assert (found.total.contribution_pct, found.total.study_variation_pct) == (100.0, 100.0)

    def test_number_of_distinct_categories_is_truncated(self) -> None:
        found, published = study(published_values()), PUBLISHED["pooled"]
        ratio = found.part.standard_deviation_mm / found.measurement.standard_deviation_mm
        assert ratio * CATEGORIES_FACTOR == pytest.approx(published["1.41*PV/GRR"], abs=1e-3)
        assert found.distinct_categories == published["ndc"] == 4

    def test_repeatability_before_pooling(self) -> None:
        error = crossed_anova(published_values(), ["part", "appraiser"])[-1]
        assert math.sqrt(error.mean_square) == pytest.approx(PUBLISHED["unpooled_EV"], abs=1e-6)

    def test_the_share_of_a_smaller_tolerance_is_larger(self) -> None:
        shares = [study(published_values(), tolerance).measurement.tolerance_pct for tolerance in (4.0, 0.8)]
        assert shares[1] == pytest.approx(5 * (shares[0] or 0.0))

    def test_has_no_share_of_a_tolerance_that_is_not_given(self) -> None:
        assert study(published_values()).measurement.tolerance_pct is None


@pytest.mark.parametrize("name", ["sirstv", "atmwtag"])
def test_one_factor_gives_the_certified_analysis(name: str) -> None:
    """NIST StRD, one-way analysis of variance; AtmWtAg loses its digits in sums that are not centred."""
    certified, rows = CERTIFIED[name], reference_rows(f"nist_{name}.csv")
    values = np.array([float(row["y"]) for row in rows]).reshape(certified["groups"], -1)
    between, within = crossed_anova(values, ["part"])
    assert [between.degrees_of_freedom, within.degrees_of_freedom] == certified["df"]
    found = [between.sum_of_squares, between.mean_square, within.sum_of_squares, within.mean_square]
    printed = [certified[key] for key in ("SS_between", "MS_between", "SS_within", "MS_within")]
    assert found == pytest.approx(printed, rel=1e-8)
    assert between.variance_ratio == pytest.approx(certified["F"], rel=1e-8)
    assert math.sqrt(within.mean_square) == pytest.approx(certified["residual_sd"], rel=1e-8)


@pytest.mark.parametrize("levels", [(5, 3), (4, 3, 2)])
def test_sums_of_squares_are_those_of_an_independent_library(levels: tuple[int, ...]) -> None:
    """statsmodels, ordinary least squares with all interactions."""
    factors = ["part", "appraiser", "equipment"][: len(levels)]
    values = simulated(levels, 3, {(0,): 2.0, (1,): 0.7, (0, 1): 0.8}, 0.5, seed=5)
    fitted = fitted_by_library(values, " * ".join(f"C({factor})" for factor in factors))
    for line in crossed_anova(values, factors):
        row = fitted.loc[":".join(f"C({factor})" for factor in line.factors) or "Residual"]
        assert line.sum_of_squares == pytest.approx(row["sum_sq"], rel=1e-9), line.name
        assert line.degrees_of_freedom == row["df"]
    deepest, error = crossed_anova(values, factors)[-2:]
    assert deepest.variance_ratio == pytest.approx(fitted.iloc[-2]["F"])
    assert deepest.significance == pytest.approx(fitted.iloc[-2]["PR(>F)"])
    assert error.variance_ratio is None


class TestErrorTerms:
    values = simulated((4, 3, 2), 2, {(0,): 2.0, (1,): 0.7, (0, 1, 2): 0.8}, 0.5, seed=11)
    table = by_name(crossed_anova(values, ["part", "appraiser", "equipment"]))

    def test_a_pair_is_tested_against_the_interaction_of_all_three(self) -> None:
        line, above = self.table["part:equipment"], self.table["part:appraiser:equipment"]
        assert line.variance_ratio == pytest.approx(line.mean_square / above.mean_square)
        expected = fisher.sf(line.mean_square / above.mean_square, line.degrees_of_freedom, above.degrees_of_freedom)
        assert line.significance == pytest.approx(float(expected))

    def test_a_factor_under_two_interactions_has_no_exact_test(self) -> None:
        for name in ("part", "appraiser", "equipment"):
            assert (self.table[name].variance_ratio, self.table[name].significance) == (None, None)

    def test_the_lines_come_in_order(self) -> None:
        assert list(self.table) == [
            "part", "appraiser", "equipment", "part:appraiser", "part:equipment", "appraiser:equipment",
            "part:appraiser:equipment", "repeatability",
        ]  # fmt: skip


def moments(values: NDArray[np.float64], lines: Sequence[tuple[int, ...]]) -> dict[tuple[int, ...], float]:
    """Variance components by equating quadratic forms to their expectation, tr(A·V): projections by Kronecker products.

    `lines` are the axes of the effects that exist; what no line holds is the error.
    """
    levels = values.shape

    def product(kept: Sequence[int], inside: Any, outside: Any) -> Any:
        return reduce(np.kron, [inside(n) if axis in kept else outside(n) for axis, n in enumerate(levels)])

    effects = {axes: product(axes, np.eye, lambda n: np.ones((n, n))) for axes in lines}
    effects[()] = np.eye(values.size)
    forms = {axes: product(axes, lambda n: np.eye(n) - 1 / n, lambda n: np.full((n, n), 1 / n)) for axes in lines}
    forms[()] = np.eye(values.size) - 1 / values.size - sum(forms.values())
    traces = [[np.sum(form * effect) for effect in effects.values()] for form in forms.values()]
    y = values.ravel()
    solved = np.linalg.solve(np.array(traces), [y @ form @ y for form in forms.values()])
    return dict(zip(effects, (float(each) for each in solved), strict=True))


class TestComponents:
    def test_of_three_factors_and_all_interactions_solve_their_expectations(self) -> None:
        axes = [kept for order in (1, 2, 3) for kept in combinations(range(3), order)]
        # A strong interaction of all three, so that nothing is pooled.
        values = simulated((4, 3, 2), 2, {(0, 1, 2): 4.0, **dict.fromkeys(axes[:-1], 6.0)}, 0.3, seed=8)
        found, expected = study(values), moments(values, axes)
        assert found.pooled == ()
        factors = ("part", "appraiser", "equipment")
        for kept, variance in expected.items():
            name = ":".join(factors[axis] for axis in kept) or "repeatability"
            deviation = found.components[name].standard_deviation_mm
            assert deviation**2 == pytest.approx(max(variance, 0.0), rel=1e-9, abs=1e-9), name
        assert sum(variance > 0 for variance in expected.values()) >= 6

    def test_after_pooling_are_those_of_the_smaller_model(self) -> None:
        values = simulated((6, 3, 2), 3, {(0,): 3.0, (1,): 1.0, (2,): 0.8, (0, 1): 1.5}, 0.4, seed=3)
        found = study(values)
        assert found.pooled == ("part:equipment", "appraiser:equipment", "part:appraiser:equipment")
        expected = moments(values, [(0,), (1,), (2,), (0, 1)])
        names = {"part": (0,), "appraiser": (1,), "equipment": (2,), "part:appraiser": (0, 1), "repeatability": ()}
        assert set(found.components) == set(names)
        for name, axes in names.items():
            assert found.components[name].standard_deviation_mm ** 2 == pytest.approx(
                max(expected[axes], 0.0), rel=1e-9
            )
        others = sum(max(expected[axes], 0.0) for axes in ((1,), (2,), (0, 1)))
        assert found.reproducibility.standard_deviation_mm**2 == pytest.approx(others)
        assert found.measurement.standard_deviation_mm**2 == pytest.approx(others + expected[()])

    def test_come_close_to_the_truth_on_average(self) -> None:
        sums = dict.fromkeys(("part", "appraiser", "part:appraiser", "repeatability"), 0.0)
        for seed in range(150):
            found = study(simulated((12, 8), 2, {(0,): 2.0, (1,): 1.0, (0, 1): 1.5}, 0.5, seed)).components
            for name in sums:
                sums[name] += found[name].standard_deviation_mm ** 2 / 150
        # Standard errors of these means are below 0.15, 0.05, 0.04 and 0.01.
        assert sums["part"] == pytest.approx(4.0, abs=0.5)
        assert sums["appraiser"] == pytest.approx(1.0, abs=0.25)
        assert sums["part:appraiser"] == pytest.approx(2.25, abs=0.12)
        assert sums["repeatability"] == pytest.approx(0.25, abs=0.02)

    def test_below_zero_is_none(self) -> None:
        # Two appraisers with equal means: what lies between them is less than chance.
        values = np.array([[[1.0, 2.0], [2.0, 1.0]], [[5.0, 6.0], [6.0, 5.0]], [[8.0, 9.0], [9.0, 8.0]]])
        assert study(values).components["appraiser"].standard_deviation_mm == 0.0


class TestPooling:
    def test_keeps_an_interaction_that_shows(self) -> None:
        found = study(simulated((5, 3), 3, {(0,): 2.0, (0, 1): 1.0}, 0.3, seed=2))
        assert found.pooled == ()
        assert found.components["part:appraiser"].standard_deviation_mm > 0.3

    @pytest.mark.parametrize(("significance", "pooled"), [(0.24, ()), (0.26, ("part:appraiser",))])
    def test_goes_by_its_significance(self, significance: float, pooled: tuple[str, ...]) -> None:
        # One interaction contrast and one repeatability contrast, scaled to the F that has this significance.
        assert POOLING_SIGNIFICANCE == 0.25
        ratio = float(fisher.isf(significance, 1, 4))
        within = np.array([[[-1.0, 1.0], [-1.0, 1.0]], [[-1.0, 1.0], [-1.0, 1.0]]])
        contrast = np.array([[[1.0], [-1.0]], [[-1.0], [1.0]]]) * math.sqrt(ratio * 2.0 / 8.0)
        values = within + contrast + np.array([[[10.0]], [[20.0]]])
        assert by_name(study(values).table)["part:appraiser"].significance == pytest.approx(significance)
        assert study(values).pooled == pooled

    def test_keeps_all_that_a_kept_interaction_holds(self) -> None:
        # Nothing but a contrast of all three: the sums of squares of the pairs are 0.
        sign = np.array([1.0, -1.0])
        contrast = np.einsum("i,j,k->ijk", sign, sign, sign)[..., None]
        found = study(3.0 * contrast + np.array([-1.0, 1.0]))
        assert by_name(found.table)["part:appraiser"].significance == 1.0
        assert found.pooled == ()

    def test_pairs_are_looked_at_side_by_side_after_the_three(self) -> None:
        """statsmodels: the model without the interaction of all three gives each pair's own test."""
        values = simulated((5, 3, 2), 2, {(0,): 3.0, (0, 1): 0.5}, 0.5, seed=34)
        fitted = fitted_by_library(values, "(C(part) + C(appraiser) + C(equipment)) ** 2")
        pooled = {"part:appraiser:equipment"}
        for pair in (("part", "appraiser"), ("part", "equipment"), ("appraiser", "equipment")):
            if fitted.loc[":".join(f"C({name})" for name in pair)]["PR(>F)"] > 0.25:
                pooled.add(":".join(pair))
        assert len(pooled) in (2, 3)
        assert set(study(values).pooled) == pooled


class TestNothingToSee:
    def test_parts_that_are_all_alike_are_one_category(self) -> None:
        values = simulated((5, 3), 2, {}, 0.5, seed=1)
        assert study(values - values.mean(axis=(1, 2), keepdims=True)).distinct_categories == 1

    @pytest.mark.parametrize("shift", [0.0, 486.3])
    def test_readings_that_always_agree_have_no_limit_of_categories(self, shift: float) -> None:
        values = np.broadcast_to(np.array([0.1, 0.7, 1.3])[:, None, None], (3, 3, 3)) + shift
        found = study(values, tolerance_mm=6.0)
        assert found.distinct_categories is None
        assert (found.measurement.standard_deviation_mm, found.measurement.tolerance_pct) == (0.0, 0.0)
        assert found.part.contribution_pct == pytest.approx(100.0)
        assert found.part.standard_deviation_mm == pytest.approx(0.6)

    def test_differences_far_below_a_reading_are_no_rounding(self) -> None:
        values = simulated((4, 3), 2, {(0,): 2.0}, 0.5, seed=6)
        small, large = study(500.0 + 1e-6 * (values - 500.0)), study(values)
        assert small.measurement.contribution_pct == pytest.approx(large.measurement.contribution_pct, rel=1e-5)

    def test_values_that_are_all_the_same_have_no_shares(self) -> None:
        found = study(np.full((3, 2, 2), 486.3))
        assert found.part.contribution_pct is found.part.study_variation_pct is None
        assert found.total.standard_deviation_mm == 0.0


class TestRefusals:
    @pytest.mark.parametrize("shape", [(1, 3, 3), (3, 1, 3), (3, 3, 1), (3, 3), (3,), (2, 2, 2, 2, 2), (3, 3, 1, 2)])
    def test_of_what_is_no_crossed_study_with_replicates(self, shape: tuple[int, ...]) -> None:
        with pytest.raises(MetrologyError, match="values_mm"):
            study(np.ones(shape))

    def test_of_factors_that_do_not_fit(self) -> None:
        for factors in ([], ["part", "appraiser"]):
            with pytest.raises(MetrologyError, match="values_mm"):
                crossed_anova([[1.0, 2.0], [3.0, 4.0]], factors)

    @pytest.mark.parametrize("value", [math.nan, math.inf])
    def test_of_values_that_are_not_finite(self, value: float) -> None:
        with pytest.raises(MetrologyError, match="finite"):
            study([[[1.0, value], [1.0, 2.0]], [[1.0, 2.0], [1.0, 2.0]]])

    @pytest.mark.parametrize("tolerance", [0.0, -6.0, math.nan, math.inf])
    def test_of_an_impossible_tolerance(self, tolerance: float) -> None:
        with pytest.raises(MetrologyError, match="tolerance_mm"):
            study(published_values(), tolerance)
