"""Leak test: Charles' law, the uncertainty of a sinking rate, the one-sided verdict, and what would decide."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest
from GTC import rp, ureal  # type: ignore[import-untyped]

from calibration.metrology.errors import MetrologyError
from calibration.metrology.leak import (
    LeakTest,
    ParkedHeights,
    assess_leak,
    hours_to_decide,
    sinking_verdict,
    thermal_change_mm,
    thermal_components,
)
from calibration.metrology.pooling import RoundMeasurement
from calibration.metrology.readings import Repeatability
from calibration.metrology.uncertainty import Instrument
from tests.metrology.builders import OTHER_TAPE, TAPE
from tests.metrology.reference import reference_json

if TYPE_CHECKING:
    from collections.abc import Sequence

GAS = reference_json("gas_constants.json")
START_MM = (486.0, 486.0, 504.0, 504.0)
COLUMN_MM = 300.0
SPREAD = Repeatability(1.0, 12)


def parked(
    hours: float,
    heights_mm: Sequence[float],
    deg_c: float | None = 20.0,
    *,
    instruments: tuple[Instrument, ...] = (TAPE,),
    readings: int = 2,
    spread: Repeatability = SPREAD,
) -> ParkedHeights:
    repeated = tuple((height,) * readings for height in heights_mm)
    return ParkedHeights(hours, RoundMeasurement(repeated, spread, instruments), deg_c)


def sunk(by_mm: Sequence[float]) -> tuple[float, ...]:
    return tuple(height - sinking for height, sinking in zip(START_MM, by_mm, strict=True))


def judged(end: ParkedHeights, start: ParkedHeights | None = None, **changes: Any) -> LeakTest:
    arguments = {"limit_mm_per_h": 1.0, "air_column_mm": COLUMN_MM, **changes}
    return assess_leak(start or parked(0.0, START_MM), end, **arguments)


class TestThermalChange:
    def test_is_charles_law(self) -> None:
        # Computed example of the reference file: 1.000 L at 20 °C fills 1.102337 L at 50 °C.
        example = GAS["computed_examples"][0]
        assert "Charles, 1.000 L 20 degC -> 50 degC" in example["case"]
        assert 1000 + thermal_change_mm(1000, 20, 50) == pytest.approx(1000 * example["V_L"], abs=1e-3)

    def test_is_what_the_gas_law_says_of_a_column_under_a_load(self) -> None:
        # p·A·L = n·R·T with R of the CRC Handbook; the load and the area of the spring keep p as it is.
        area_m2, pressure_pa = 0.012, 650e3
        moles = pressure_pa * area_m2 * 0.3 / (GAS["R_J_per_mol_K"] * (GAS["T0_K"] + 25))
        colder_m = moles * GAS["R_J_per_mol_K"] * (GAS["T0_K"] - 5) / (pressure_pa * area_m2)
        assert thermal_change_mm(300, 25, -5) == pytest.approx(1000 * (colder_m - 0.3), rel=1e-12)

    def test_of_one_kelvin_is_about_one_millimetre_at_300_mm(self) -> None:
        # The design's figure.
        assert thermal_change_mm(300, 20, 21) == pytest.approx(1.0, abs=0.03)
        assert thermal_change_mm(300, 20, 19) == -thermal_change_mm(300, 20, 21)
        assert thermal_change_mm(0.6, 20, 21) == pytest.approx(thermal_change_mm(300, 20, 21) / 500)

    @pytest.mark.parametrize(
        ("arguments", "named"),
        [
            ((0.0, 20.0, 10.0), "air_column_mm"),
            ((math.inf, 20.0, 10.0), "air_column_mm"),
            ((300.0, -273.15, 10.0), "start_deg_c"),
            ((300.0, 20.0, -300.0), "end_deg_c"),
            ((300.0, 20.0, math.nan), "end_deg_c"),
        ],
    )
    def test_refuses_what_no_air_can_be(self, arguments: tuple[float, float, float], named: str) -> None:
        with pytest.raises(MetrologyError, match=named):
            thermal_change_mm(*arguments)

    def test_has_the_sensitivities_that_a_finite_difference_finds(self) -> None:
        step = 1e-4
        by_start = (thermal_change_mm(300, 25 + step, 5) - thermal_change_mm(300, 25 - step, 5)) / (2 * step)
        by_end = (thermal_change_mm(300, 25, 5 + step) - thermal_change_mm(300, 25, 5 - step)) / (2 * step)
        found = [part.standard_uncertainty_mm for part in thermal_components(300, 25, 5, 0.7)]
        assert found == pytest.approx([abs(by_start) * 0.7, abs(by_end) * 0.7], rel=1e-6)


class TestRate:
    def test_is_positive_for_sinking_and_per_hour(self) -> None:
        found = judged(parked(30.0, sunk([24.0, 0.0, -3.0, 6.0])), start=parked(6.0, START_MM))
        assert found.hours == 24.0
        assert [each.rate_mm_per_h for each in found.corners] == [1.0, 0.0, -0.125, 0.25]
        assert [each.change_mm for each in found.corners] == [-24.0, 0.0, 3.0, -6.0]

    def test_a_cold_night_imitates_a_leak_until_it_is_taken_out(self) -> None:
        # 15 K colder shrinks a column of 300 mm by 15.35 mm.
        cold = sunk([-thermal_change_mm(COLUMN_MM, 20, 5)] * 4)
        taken_out, left_in = judged(parked(12.0, cold, 5.0)), judged(parked(12.0, cold, None))
        assert [each.rate_mm_per_h for each in taken_out.corners] == pytest.approx([0.0] * 4, abs=1e-12)
        assert (taken_out.verdict, taken_out.temperature_corrected) == ("within", True)
        assert (left_in.verdict, left_in.temperature_corrected) == ("outside", False)
        assert left_in.corners[0].thermal_change_mm == 0.0

    def test_a_warm_day_hides_a_leak_until_it_is_taken_out(self) -> None:
        found = judged(parked(12.0, START_MM, 40.0))
        assert found.corners[0].rate_mm_per_h == pytest.approx(300 * 20 / 293.15 / 12)
        assert found.verdict == "outside"

    @pytest.mark.parametrize("missing", ["start", "end", "column"])
    def test_is_not_corrected_where_anything_is_missing(self, missing: str) -> None:
        start = parked(0.0, START_MM, None if missing == "start" else 20.0)
        end = parked(12.0, START_MM, None if missing == "end" else 10.0)
        found = judged(end, start, air_column_mm=None if missing == "column" else COLUMN_MM)
        assert not found.temperature_corrected
        assert [part.name for part in found.corners[0].budget.components] == ["repeatability", "resolution"]

    def test_refuses_an_end_that_is_not_later(self) -> None:
        for hours in (0.0, -1.0):
            with pytest.raises(MetrologyError, match=r"end\.hours"):
                judged(parked(hours, START_MM))

    @pytest.mark.parametrize(("hours", "deg_c"), [(math.nan, 20.0), (math.inf, 20.0), (0.0, 293.15), (0.0, math.nan)])
    def test_refuses_impossible_times_and_temperatures(self, hours: float, deg_c: float) -> None:
        with pytest.raises(MetrologyError):
            parked(hours, START_MM, deg_c)

    def test_takes_temperatures_that_occur_outdoors(self) -> None:
        for deg_c in (-90.0, 60.0):
            assert judged(parked(12.0, START_MM, deg_c)).temperature_corrected
        for deg_c in (-90.1, 60.1):
            with pytest.raises(MetrologyError, match="temperature_deg_c"):
                parked(12.0, START_MM, deg_c)

    def test_of_half_an_hour_is_a_rate_too(self) -> None:
        assert judged(parked(0.5, sunk([3.0] * 4))).corners[0].rate_mm_per_h == 6.0


class TestUncertainty:
    """Against the whole calculation done by an independent library (GTC), with the errors that heights share."""

    hours, spread = 10.0, Repeatability(0.8, 12)

    def corner(self, end_deg_c: float = 5.0, **changes: Any) -> Any:
        start = parked(0.0, START_MM, spread=self.spread, readings=3)
        end = parked(self.hours, sunk([9.0] * 4), end_deg_c, **{"spread": self.spread, "readings": 2, **changes})
        return judged(end, start).corners[0]

    def rate(self, *, tapes: tuple[Any, Any]) -> Any:
        """The rate of sinking from the errors themselves; the one s_r is the single Type A component."""
        repeatability = ureal(0, self.spread.standard_deviation_mm * math.sqrt(1 / 3 + 1 / 2), 12)
        marks, settling = ureal(0, 1 / math.sqrt(3)), ureal(0, 1.5 / math.sqrt(3))
        first = 486 + marks + settling + tapes[0] + ureal(0, 1 / math.sqrt(12))
        last = 477 + marks + settling + tapes[1] + ureal(0, 1 / math.sqrt(12)) + repeatability
        before, after = ureal(293.15, 1.0), ureal(278.15, 1.0)
        return -((last - first) - -COLUMN_MM * (1 - after / before)) / self.hours

    def test_is_that_of_the_shared_errors_with_one_tape(self) -> None:
        tape = ureal(0, TAPE.standard_uncertainty_mm(486.0))
        expected, found = self.rate(tapes=(tape, tape)), self.corner()
        assert found.rate_mm_per_h == pytest.approx(expected.x, rel=1e-12)
        assert found.budget.standard_uncertainty_mm / self.hours == pytest.approx(expected.u, rel=1e-12)
        assert found.budget.degrees_of_freedom == math.floor(expected.df)
        factor = rp.k_factor(math.floor(expected.df), 95)
        assert found.expanded_uncertainty_mm_per_h == pytest.approx(factor * expected.u, rel=1e-6)

    def test_keeps_the_tapes_where_there_were_two(self) -> None:
        tapes = tuple(ureal(0, TAPE.standard_uncertainty_mm(486.0)) for _ in range(2))
        found = self.corner(instruments=(OTHER_TAPE,))
        expected = self.rate(tapes=(tapes[0], tapes[1]))
        assert found.budget.standard_uncertainty_mm / self.hours == pytest.approx(expected.u, rel=1e-12)
        mixed = self.corner(instruments=(TAPE, OTHER_TAPE))
        assert mixed.budget.standard_uncertainty_mm == pytest.approx(found.budget.standard_uncertainty_mm)

    def test_leaves_out_marks_settling_and_the_tape(self) -> None:
        assert [part.name for part in self.corner().budget.components] == [
            "repeatability", "resolution", "temperature_start", "temperature_end",
        ]  # fmt: skip

    def test_falls_with_the_length_of_the_test(self) -> None:
        short, long = (judged(parked(hours, START_MM)).corners[0] for hours in (5.0, 20.0))
        assert short.expanded_uncertainty_mm_per_h == pytest.approx(4 * long.expanded_uncertainty_mm_per_h)

    def test_takes_better_thermometers_into_account(self) -> None:
        end = parked(12.0, START_MM, 10.0)
        better = judged(end, temperature_standard_uncertainty_k=0.2).corners[0].budget
        usual = judged(end).corners[0].budget
        for name in ("temperature_start", "temperature_end"):
            assert 5 * better.standard_uncertainty_of(name) == pytest.approx(usual.standard_uncertainty_of(name))
        with pytest.raises(MetrologyError, match="standard_uncertainty"):
            judged(end, temperature_standard_uncertainty_k=-1.0)


class TestVerdict:
    @pytest.mark.parametrize(
        ("rate", "expected"),
        [
            (-9.0, "within"),
            (0.0, "within"),
            (0.5, "within"),
            (0.51, "undecided"),
            (1.5, "undecided"),
            (1.51, "outside"),
        ],
    )
    def test_has_a_guard_band_of_u_on_either_side_of_the_limit(self, rate: float, expected: str) -> None:
        assert sinking_verdict(rate, 0.5, 1.0) == expected

    @pytest.mark.parametrize(
        ("rate", "expanded", "limit"),
        [(math.nan, 0.5, 1.0), (math.inf, 0.5, 1.0), (0.0, -0.1, 1.0), (0.0, math.nan, 1.0), (0.0, 0.5, -1.0)],
    )
    def test_refuses_impossible_arguments(self, rate: float, expanded: float, limit: float) -> None:
        with pytest.raises(MetrologyError):
            sinking_verdict(rate, expanded, limit)

    def test_one_leaking_corner_condemns_the_vehicle_and_an_undecided_one_does_not_pass(self) -> None:
        assert judged(parked(12.0, sunk([0.0, 0.0, 30.0, 12.0]))).verdict == "outside"
        assert judged(parked(12.0, sunk([0.0, 0.0, 0.0, 12.5]))).verdict == "undecided"
        assert judged(parked(12.0, START_MM)).verdict == "within"

    def test_is_none_without_a_limit(self) -> None:
        found = judged(parked(12.0, sunk([30.0] * 4)), limit_mm_per_h=None)
        assert (found.verdict, found.hours_to_decide) == (None, None)
        assert {(each.verdict, each.hours_to_decide) for each in found.corners} == {(None, None)}
        assert found.corners[0].rate_mm_per_h == 2.5

    def test_holds_for_a_limit_of_no_sinking_at_all(self) -> None:
        assert judged(parked(12.0, sunk([30.0] * 4)), limit_mm_per_h=0.0).verdict == "outside"


def test_a_corner_that_rose_beyond_its_uncertainty_is_told() -> None:
    judged_corners = judged(parked(12.0, sunk([-8.0, -2.0, 0.0, 8.0]))).corners
    assert [each.rose for each in judged_corners] == [True, False, False, False]
    assert judged_corners[0].verdict == "within"
    assert not replace(judged_corners[0], rate_mm_per_h=-0.5, expanded_uncertainty_mm_per_h=0.5).rose


class TestHoursToDecide:
    @pytest.mark.parametrize(("rate", "verdict"), [(0.7, "within"), (1.2, "outside")])
    def test_a_test_of_that_length_decides_and_a_shorter_one_does_not(self, rate: float, verdict: str) -> None:
        first = judged(parked(3.0, sunk([3.0 * rate] * 4)))
        assert first.verdict == "undecided"
        wanted = first.hours_to_decide
        assert wanted is not None
        longer, shorter = (
            judged(parked(hours, sunk([hours * rate] * 4))).verdict for hours in (wanted * 1.001, wanted * 0.999)
        )
        assert (longer, shorter) == (verdict, "undecided")

    def test_is_what_the_slowest_corner_needs(self) -> None:
        found = judged(parked(10.0, sunk([0.0, 8.0, 9.0, 7.0])))
        by_corner = [each.hours_to_decide for each in found.corners]
        assert [each.verdict for each in found.corners] == ["within", "undecided", "undecided", "undecided"]
        assert by_corner[0] is None
        assert found.hours_to_decide == by_corner[2] == max(each for each in by_corner if each is not None)
        expanded_mm = 10.0 * found.corners[2].expanded_uncertainty_mm_per_h
        assert found.hours_to_decide == pytest.approx(expanded_mm / (1.0 - 0.9))

    def test_is_none_for_a_rate_at_the_limit(self) -> None:
        assert hours_to_decide(1.0, 3.0, 1.0) is None
        at_limit = judged(parked(8.0, sunk([8.0, 7.0, 0.0, 0.0])))
        assert (at_limit.verdict, at_limit.hours_to_decide) == ("undecided", None)

    def test_is_none_once_decided(self) -> None:
        assert judged(parked(12.0, START_MM)).hours_to_decide is None
        outside = judged(parked(12.0, sunk([30.0, 12.5, 0.0, 0.0])))
        assert (outside.verdict, outside.hours_to_decide) == ("outside", None)
        assert outside.corners[0].hours_to_decide is None
        assert outside.corners[1].hours_to_decide is not None


def test_readings_of_the_end_that_disagree_count_as_a_median() -> None:
    start, end = parked(0.0, START_MM), parked(12.0, START_MM)
    readings = ((486.0, 496.0, 486.0, 487.0), *end.measured.readings_mm[1:])
    median = judged(replace(end, measured=replace(end.measured, readings_mm=readings)), start).corners[0]
    assert median.change_mm == 0.5
    assert median.budget.standard_uncertainty_of("repeatability") == pytest.approx(math.hypot(1.25 / 2, math.sqrt(0.5)))
