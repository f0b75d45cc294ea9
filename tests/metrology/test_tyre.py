"""Other tyres than the reference tyre: published dimensions and rule, and definitions."""

from __future__ import annotations

import math
from typing import Any

import pytest

from calibration.metrology.errors import MetrologyError
from calibration.metrology.tyre import (
    R39_TEST_SPEEDS_KM_H,
    arch_clearance_mm,
    axle_load,
    circumference_mismatch,
    difference,
    hub_rise_mm,
    speed_reading,
)
from tests.metrology.reference import reference_json

RULES = reference_json("tyre_rules.json")
R39 = RULES["speedometer_un_r39"]
CIRCUMFERENCES = RULES["rolling_circumference"]["examples_mm"]
# Diameters with the circumferences that the reference file gives for them (factor 3.05 from memory).
SMALL, LARGE = (632.0, CIRCUMFERENCES["205/55R16 (D=632)"]), (815.0, CIRCUMFERENCES["275/65R18 (D=815)"])


class TestDifference:
    def test_of_a_larger_tyre(self) -> None:
        found = difference(*LARGE, *SMALL)
        assert (found.diameter_mm, found.radius_mm) == (183.0, 91.5)
        assert found.circumference_mm == pytest.approx(2485.75 - 1927.6)
        # Both circumferences are one factor times the diameter.
        assert found.circumference_pct == pytest.approx(100 * 183 / 632)
        # In a kilometre 518.8 turns become 402.3.
        assert found.revolutions_per_km == pytest.approx(402.29 - 518.78, abs=0.01)

    def test_of_a_smaller_tyre_has_the_other_sign(self) -> None:
        found = difference(*SMALL, *LARGE)
        assert (found.diameter_mm, found.radius_mm) == (-183.0, -91.5)
        assert found.circumference_pct == pytest.approx(-100 * 183 / 815)
        assert found.revolutions_per_km > 0

    def test_of_the_reference_tyre_is_none(self) -> None:
        found = difference(*SMALL, *SMALL)
        assert (found.diameter_mm, found.radius_mm, found.circumference_pct, found.revolutions_per_km) == (0, 0, 0, 0)

    @pytest.mark.parametrize("at", range(4))
    def test_refuses_impossible_lengths(self, at: int) -> None:
        for value in (0.0, -1.0, math.nan, math.inf):
            lengths = [632.0, 1927.6, 815.0, 2485.75]
            lengths[at] = value
            with pytest.raises(MetrologyError):
                difference(*lengths)


class TestSpeedReading:
    @pytest.mark.parametrize("example", R39["examples"], ids=lambda row: str(row["V2"]))
    def test_may_show_the_published_highest(self, example: dict[str, float]) -> None:
        # UN R39, 5.3, as public copies quote it.
        reading = speed_reading(example["V2"], *SMALL[1:], *SMALL[1:])
        assert [reading.lowest_km_h, reading.highest_km_h] == pytest.approx([example["V2"], example["V1_max"]])
        assert reading.true_km_h == example["V2"]

    def test_is_tested_at_the_published_speeds(self) -> None:
        assert list(R39_TEST_SPEEDS_KM_H) == R39["test_speeds_km_h"]

    def test_counts_the_turns_that_the_reference_tyre_would_make(self) -> None:
        """By hand: 100 km in an hour are 40229.3 turns of the larger tyre, shown as so many of the smaller one."""
        turns = 100e6 / LARGE[1]
        assert speed_reading(100, LARGE[1], SMALL[1]).shown_km_h == pytest.approx(turns * SMALL[1] / 1e6)

    def test_shows_too_little_with_a_larger_tyre_and_too_much_with_a_smaller_one(self) -> None:
        assert not speed_reading(80, 2001.0, 2000.0).permitted
        assert speed_reading(80, 2000.0, 2000.0).permitted
        assert speed_reading(80, 1999.0, 2000.0).permitted
        # 92 km/h at 80 are 15 %.
        assert speed_reading(80, 2000.0, 2000.0 * 1.1499).permitted
        assert not speed_reading(80, 2000.0, 2000.0 * 1.1501).permitted

    def test_that_shows_too_much_has_room_for_a_larger_tyre(self) -> None:
        reading = speed_reading(80, 2060.0, 2000.0, overreading_pct=5.0)
        assert reading.shown_km_h == pytest.approx(80 * 1.05 / 1.03)
        assert reading.permitted
        assert not speed_reading(80, 2060.0, 2000.0).permitted

    @pytest.mark.parametrize(
        ("arguments", "overreading"),
        [
            ((0.0, 2000.0, 2000.0), 0.0),
            ((math.nan, 2000.0, 2000.0), 0.0),
            ((80.0, 0.0, 2000.0), 0.0),
            ((80.0, 2000.0, -1.0), 0.0),
            ((80.0, 2000.0, 2000.0), -100.0),
            ((80.0, 2000.0, 2000.0), math.inf),
        ],
    )
    def test_refuses_impossible_arguments(self, arguments: tuple[float, float, float], overreading: float) -> None:
        with pytest.raises(MetrologyError):
            speed_reading(*arguments, overreading_pct=overreading)


class TestAxleLoad:
    def test_goes_by_the_weaker_tyre(self) -> None:
        for capacities in ((1120, 900), (900, 1120)):
            found = axle_load(*capacities, 1650)
            assert (found.capacity_kg, found.load_kg) == (1800, 1650)
            assert found.utilisation_pct == pytest.approx(100 * 1650 / 1800)

    @pytest.mark.parametrize(("load", "sufficient"), [(1799, True), (1800, True), (1801, False)])
    def test_suffices_up_to_the_capacity(self, load: float, sufficient: bool) -> None:
        assert axle_load(900, 900, load).sufficient is sufficient

    @pytest.mark.parametrize("masses", [(0, 900, 1650), (900, -1, 1650), (900, 900, 0), (900, math.nan, 1650)])
    def test_refuses_impossible_masses(self, masses: tuple[float, float, float]) -> None:
        with pytest.raises(MetrologyError):
            axle_load(*masses)


class TestCircumferenceMismatch:
    def test_is_left_minus_right_and_front_minus_rear(self) -> None:
        found = circumference_mismatch([2010.0, 2030.0, 2106.0, 2094.0])
        assert found.front_pct == pytest.approx(-100 * 20 / 2020)
        assert found.rear_pct == pytest.approx(100 * 12 / 2100)
        assert found.front_rear_pct == pytest.approx(-100 * 80 / 2060)

    @pytest.mark.parametrize("values", [[2000.0] * 3, [2000.0] * 5, [2000.0, 2000.0, 2000.0, 0.0], [math.nan] * 4])
    def test_refuses_what_is_not_four_circumferences(self, values: list[float]) -> None:
        with pytest.raises(MetrologyError, match="circumferences_mm"):
            circumference_mismatch(values)


class TestHeights:
    def test_hubs_rise_by_half_the_difference_of_diameters(self) -> None:
        assert hub_rise_mm([815.0, 763.0, 741.0, 764.0], 763.0) == (26.0, 0.0, -11.0, 0.5)

    def test_any_length_above_nothing_will_do(self) -> None:
        assert hub_rise_mm([0.5] * 4, 0.25) == (0.125, 0.125, 0.125, 0.125)

    def test_the_arch_has_the_room_that_the_radius_leaves(self) -> None:
        assert arch_clearance_mm([486, 486, 504, 400], [763, 741, 763, 815]) == (104.5, 115.5, 122.5, -7.5)

    def test_a_larger_tyre_takes_the_room_that_it_lifts_the_hub_by(self) -> None:
        heights = [486.0, 486.0, 504.0, 504.0]
        before, after = (arch_clearance_mm(heights, [diameter] * 4) for diameter in (763.0, 815.0))
        lost = [old - new for old, new in zip(before, after, strict=True)]
        assert tuple(lost) == hub_rise_mm([815.0] * 4, 763.0)

    @pytest.mark.parametrize("bad", [[763.0] * 3, [763.0, 763.0, 763.0, 0.0], [763.0, 763.0, 763.0, math.inf]])
    def test_refuse_what_is_not_four_diameters(self, bad: Any) -> None:
        good = [763.0] * 4
        with pytest.raises(MetrologyError, match="diameters_mm"):
            hub_rise_mm(bad, 763.0)
        with pytest.raises(MetrologyError, match="reference_diameter_mm"):
            hub_rise_mm(good, bad[-1] if len(bad) == 4 else math.nan)
        with pytest.raises(MetrologyError, match="diameters_mm"):
            arch_clearance_mm(good, bad)
        with pytest.raises(MetrologyError, match="heights_mm"):
            arch_clearance_mm(bad, good)
