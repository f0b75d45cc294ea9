"""Consequences of a change of heights: clearance angles, stability, headlamps, and the work that follows."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from scipy.optimize import brentq

from calibration.metrology.consequences import (
    BodyGeometry,
    BodyPosition,
    Consequences,
    breakover_angle_deg,
    clearance_angle_deg,
    consequences,
    follow_ups,
    inclination_change_pct,
    static_stability_factor,
)
from calibration.metrology.errors import MetrologyError
from calibration.metrology.tyre import hub_rise_mm
from tests.metrology.reference import reference_json

if TYPE_CHECKING:
    from collections.abc import Callable

ANGLES = reference_json("clearance_angles.json")["computed_not_published"]
ROLLOVER = reference_json("rollover_ssf.json")
HEADLAMP = reference_json("headlamp_r48.json")

VAN = BodyGeometry(
    wheelbase_mm=2885,
    track_front_mm=1605,
    track_rear_mm=1613,
    tyre_radius_mm=360,
    cg_height_mm=720,
    ground_clearance_mm=190,
    front_overhang_mm=900,
    rear_overhang_mm=1020,
    headlamp_height_mm=850,
    headlamp_inclination_pct=-1.2,
)
AT_TARGET = BodyPosition((0.0, 0.0, 0.0, 0.0))
TOLERANCES_MM = (6.0, 6.0, 6.0, 6.0)


def moved(*deviations_mm: float, geometry: BodyGeometry = VAN, before: BodyPosition = AT_TARGET) -> Consequences:
    front_left, front_right, rear_left, rear_right = deviations_mm
    return consequences(geometry, before, BodyPosition((front_left, front_right, rear_left, rear_right)))


def plane(rises_mm: tuple[float, ...]) -> Callable[[float], float]:
    """Rise of the body's centre line at x mm ahead of the rear axle: least squares through the four corners (NumPy)."""
    wheelbase, track = VAN.wheelbase_mm, (VAN.track_front_mm + VAN.track_rear_mm) / 2
    corners = np.array([[1, wheelbase, track / 2], [1, wheelbase, -track / 2], [1, 0, track / 2], [1, 0, -track / 2]])
    level, slope, _ = np.linalg.lstsq(corners, np.array(rises_mm))[0]
    return lambda x: float(level + slope * x)


def tangent_deg(distance_mm: float, height_mm: float, radius_mm: float) -> float:
    """Inclination at which a line through the point is one radius below the wheel's centre, by root search (SciPy)."""

    def gap(angle: float) -> float:
        return (radius_mm - height_mm) * math.cos(angle) + distance_mm * math.sin(angle) - radius_mm

    return math.degrees(brentq(gap, 0.0, math.pi / 2 - 1e-9, xtol=1e-14))


class TestClearanceAngles:
    @pytest.mark.parametrize("row", ANGLES[:3], ids=lambda row: str(row["horizontal_mm"]))
    def test_are_the_computed_examples(self, row: dict[str, float]) -> None:
        # Computed there, not published; approach and departure are defined as in 49 CFR 523.2.
        found = clearance_angle_deg(row["horizontal_mm"], row["height_mm"], row["static_loaded_radius_mm"])
        assert found == pytest.approx(row["angle_deg"], abs=5.1e-4)

    @pytest.mark.parametrize(("distance", "height", "radius"), [(700, 250, 350), (900, 500, 350), (1500, 30, 380)])
    def test_are_those_of_the_line_that_touches_the_tyre(self, distance: float, height: float, radius: float) -> None:
        assert clearance_angle_deg(distance, height, radius) == pytest.approx(tangent_deg(distance, height, radius))

    def test_keep_the_identities(self) -> None:
        # Listed in the reference file.
        assert clearance_angle_deg(700, 0, 350) == pytest.approx(0.0, abs=1e-12)
        assert clearance_angle_deg(700, 350, 350) == pytest.approx(math.degrees(math.asin(0.5)))

    def test_breakover_is_the_computed_example_and_near_its_usual_approximation(self) -> None:
        row = ANGLES[3]
        assert "wheelbase 2850, clearance point mid-wheelbase at 230, R 360" in row["case"]
        found = breakover_angle_deg(2850, 230, 360)
        assert found == pytest.approx(row["angle_deg"], abs=5.1e-5)
        assert found == pytest.approx(row["point_contact_approximation_2atan(2c/WB)"], abs=0.5)

    def test_breakover_of_unlike_tyres_adds_the_two_tangents(self) -> None:
        expected = tangent_deg(1425, 230, 360) + tangent_deg(1425, 230, 400)
        assert breakover_angle_deg(2850, 230, 360, 400) == pytest.approx(expected)
        assert breakover_angle_deg(2850, 230, 400, 360) == pytest.approx(expected)

    @pytest.mark.parametrize(
        ("distance", "height", "radius"),
        [
            (0, 250, 350),
            (-700, 250, 350),
            (700, -1, 350),
            (700, 250, 0),
            (300, 250, 350),
            (280, 140, 350),
            (math.nan, 250, 350),
        ],
    )
    def test_refuse_lengths_without_a_tangent(self, distance: float, height: float, radius: float) -> None:
        with pytest.raises(MetrologyError):
            clearance_angle_deg(distance, height, radius)


class TestStaticStabilityFactor:
    def test_is_the_sideways_acceleration_at_which_the_inner_wheels_lift(self) -> None:
        """Moments about the outer wheels' line of contact, by root search (SciPy)."""
        half_track, height = 800.0, 720.0
        tips_at = brentq(lambda g: g * height - 1.0 * half_track, 0.0, 5.0)
        assert static_stability_factor(2 * half_track, height) == pytest.approx(tips_at)
        assert static_stability_factor(0.5, 0.5) == 0.5

    def test_gives_the_published_rollover_risk(self) -> None:
        # NHTSA publishes 9.5 % for SSF 1.48; a track of 1554 mm at 525 mm has it.
        check = ROLLOVER["published_check"]
        factor = static_stability_factor(1554, 525)
        assert factor == pytest.approx(check["ssf"], abs=1e-9)
        risk = 1 / (1 + math.exp(ROLLOVER["c_no_tip_up"] + 1.1686 * math.log(factor - 0.9)))
        assert risk == pytest.approx(check["no_tip_risk"], abs=5e-4)

    @pytest.mark.parametrize(("track", "height"), [(0, 720), (1600, 0), (math.nan, 720), (1600, math.inf)])
    def test_refuses_impossible_lengths(self, track: float, height: float) -> None:
        with pytest.raises(MetrologyError):
            static_stability_factor(track, height)


class TestHeadlamps:
    def test_ten_metres_ahead_the_beam_moves_as_the_body_pitches(self) -> None:
        # Geometry check of the reference file: 1 % is 100 mm at 10 m; a pitch of 1 degree is 1.7455 %.
        assert "1 degree is 1.7455 %" in HEADLAMP["geometry_check"]
        pitch_mm = 2885 * math.tan(math.radians(1))
        assert inclination_change_pct(pitch_mm, 2885) == pytest.approx(1.7455, abs=5.1e-5)
        assert inclination_change_pct(-pitch_mm, 2885) * 10_000 / 100 == pytest.approx(-174.55, abs=0.01)

    def test_a_higher_front_lifts_the_beam_and_a_higher_rear_lowers_it(self) -> None:
        assert moved(10, 10, 0, 0).inclination_change_pct == pytest.approx(100 * 10 / 2885)
        assert moved(0, 0, 10, 10).inclination_change_pct == pytest.approx(-100 * 10 / 2885)
        assert moved(10, 10, 10, 10).inclination_change_pct == 0.0

    def test_lamps_aimed_as_specified_before_end_where_the_pitch_takes_them(self) -> None:
        aim = moved(0, 0, 10, 10).headlamp_inclination_pct
        assert aim is not None
        assert [aim.before, aim.after] == pytest.approx([-1.2, -1.2 - 1000 / 2885])
        assert aim.change == pytest.approx(-1000 / 2885)

    def test_refuses_a_wheelbase_of_nothing(self) -> None:
        with pytest.raises(MetrologyError, match="wheelbase_mm"):
            inclination_change_pct(10, 0)


class TestBody:
    """Against the plane through the four corners, found by least squares."""

    before_mm, after_mm = (-11.0, -3.0, 4.0, -2.0), (2.0, 5.0, -9.0, 6.0)

    def found(self) -> Consequences:
        return consequences(VAN, BodyPosition(self.before_mm), BodyPosition(self.after_mm))

    def heights(self, x_mm: float, nominal_mm: float) -> list[float]:
        return [nominal_mm + plane(rises)(x_mm) for rises in (self.before_mm, self.after_mm)]

    def test_heights_above_ground(self) -> None:
        found = self.found()
        assert found.ground_clearance_mm is not None
        assert found.headlamp_height_mm is not None
        clearance, lamps = self.heights(2885 / 2, 190), self.heights(2885, 850)
        assert [found.ground_clearance_mm.before, found.ground_clearance_mm.after] == pytest.approx(clearance)
        assert found.ground_clearance_change_mm == pytest.approx(clearance[1] - clearance[0])
        assert [found.headlamp_height_mm.before, found.headlamp_height_mm.after] == pytest.approx(lamps)

    def test_pitch_is_the_slope_over_the_wheelbase(self) -> None:
        rises = [plane(each) for each in (self.before_mm, self.after_mm)]
        before, after = (rise(2885) - rise(0) for rise in rises)
        assert self.found().pitch_change_mm == pytest.approx(after - before)

    def test_stability_falls_as_the_centre_of_gravity_rises(self) -> None:
        found = self.found().static_stability_factor
        assert found is not None
        track = (1605 + 1613) / 2
        expected = [track / 2 / height for height in self.heights(2885 / 2, 720)]
        assert [found.before, found.after] == pytest.approx(expected)

    def test_approach_and_departure_are_those_of_the_ends(self) -> None:
        found = self.found()
        assert found.approach_deg is not None
        assert found.departure_deg is not None
        approach = [tangent_deg(900, height, 360) for height in self.heights(2885 + 900, 190)]
        departure = [tangent_deg(1020, height, 360) for height in self.heights(-1020, 190)]
        assert [found.approach_deg.before, found.approach_deg.after] == pytest.approx(approach)
        assert [found.departure_deg.before, found.departure_deg.after] == pytest.approx(departure)

    def test_breakover_is_that_of_the_middle(self) -> None:
        found = self.found().breakover_deg
        assert found is not None
        expected = [2 * tangent_deg(2885 / 2, height, 360) for height in self.heights(2885 / 2, 190)]
        assert [found.before, found.after] == pytest.approx(expected)

    def test_height_changes_and_their_modes(self) -> None:
        found = self.found()
        assert found.height_changes_mm == (13.0, 8.0, -13.0, 8.0)
        attitude = found.attitude_change
        assert (attitude.heave_mm, attitude.pitch_mm, attitude.roll_mm, attitude.warp_mm) == (4.0, 13.0, -8.0, 13.0)


class TestOtherTyres:
    """Larger tyres lift the hubs: everything but the heights from hub to arch."""

    lifted = BodyPosition((0.0, 0.0, 0.0, 0.0), hub_rise_mm([815, 815, 783, 783], 763))

    def found(self) -> Consequences:
        return consequences(VAN, AT_TARGET, self.lifted)

    def test_leave_the_heights_and_lift_the_body(self) -> None:
        found = self.found()
        assert found.height_changes_mm == (0.0, 0.0, 0.0, 0.0)
        assert found.attitude_change.heave_mm == 0.0
        assert (found.ground_clearance_change_mm, found.pitch_change_mm) == (18.0, 16.0)
        assert found.inclination_change_pct == pytest.approx(1600 / 2885)
        assert found.headlamp_height_mm is not None
        assert found.headlamp_height_mm.change == 26.0
        assert found.static_stability_factor is not None
        assert found.static_stability_factor.after == pytest.approx(1609 / 2 / 738)

    def test_are_larger_wheels_for_the_clearance_angles(self) -> None:
        found = self.found()
        slope = 16 / 2885
        assert found.approach_deg is not None
        assert found.departure_deg is not None
        assert found.breakover_deg is not None
        assert found.approach_deg.after == pytest.approx(tangent_deg(900, 190 + 26 + 900 * slope, 386))
        assert found.departure_deg.after == pytest.approx(tangent_deg(1020, 190 + 10 - 1020 * slope, 370))
        half = 2885 / 2
        assert found.breakover_deg.after == pytest.approx(tangent_deg(half, 208, 386) + tangent_deg(half, 208, 370))


class TestUnknownLengths:
    @pytest.mark.parametrize(
        ("missing", "unknown"),
        [
            ("cg_height_mm", {"static_stability_factor"}),
            ("headlamp_height_mm", {"headlamp_height_mm"}),
            ("headlamp_inclination_pct", {"headlamp_inclination_pct"}),
            ("front_overhang_mm", {"approach_deg"}),
            ("rear_overhang_mm", {"departure_deg"}),
            ("tyre_radius_mm", {"approach_deg", "departure_deg", "breakover_deg"}),
            ("ground_clearance_mm", {"ground_clearance_mm", "approach_deg", "departure_deg", "breakover_deg"}),
        ],
    )
    def test_leave_out_what_needs_them_and_nothing_else(self, missing: str, unknown: set[str]) -> None:
        found = moved(5, 5, 5, 5, geometry=replace(VAN, **dict[str, Any]({missing: None})))
        assert {name for name in Consequences.__dataclass_fields__ if getattr(found, name) is None} == unknown
        assert found.ground_clearance_change_mm == 5.0

    def test_a_body_on_the_ground_has_no_angles(self) -> None:
        found = moved(-190, -190, -190, -190)
        assert found.ground_clearance_mm is found.approach_deg is found.breakover_deg is None
        assert found.static_stability_factor is not None
        just_above = moved(-189.5, -189.5, -189.5, -189.5).ground_clearance_mm
        assert just_above is not None
        assert just_above.after == 0.5

    def test_a_tyre_that_reaches_the_end_of_the_overhang_has_no_approach_angle(self) -> None:
        # 288 mm ahead of and 216 mm below the wheel's centre is on the tyre, of 360 mm radius.
        for overhang, hidden in ((300, False), (288, True), (280, True)):
            geometry = replace(VAN, front_overhang_mm=overhang, ground_clearance_mm=144)
            found = consequences(geometry, AT_TARGET, AT_TARGET)
            assert (found.approach_deg is None) is hidden
            assert found.departure_deg is not None

    def test_a_tyre_that_reaches_to_the_middle_has_no_breakover_angle(self) -> None:
        short = replace(VAN, wheelbase_mm=640)
        assert moved(5, 5, 5, 5, geometry=short).breakover_deg is not None
        assert moved(-70, -70, -70, -70, geometry=replace(short, wheelbase_mm=590)).breakover_deg is None
        for hub_rise in ((60.0, 60.0, -60.0, -60.0), (-60.0, -60.0, 60.0, 60.0)):
            level = BodyPosition(tuple(-rise for rise in hub_rise), hub_rise)  # type: ignore[arg-type]
            assert consequences(short, level, level).breakover_deg is None


class TestFollowUps:
    def codes(self, *deviations_mm: float, **changes: Any) -> list[str]:
        return [each.code for each in follow_ups(moved(*deviations_mm, **changes), TOLERANCES_MM)]

    def test_a_small_heave_names_nothing(self) -> None:
        assert self.codes(5.9, 5.9, 5.9, 5.9) == []
        assert self.codes(0, 0, 0, 0) == []

    def test_pitch_names_the_headlamps_and_what_looks_ahead(self) -> None:
        # 0.1 % of a wheelbase of 2885 mm is 2.885 mm.
        assert self.codes(2.88, 2.88, 0, 0) == []
        assert self.codes(2.885, 2.885, 0, 0) == ["headlamp_aim", "driver_assistance"]
        assert self.codes(0, 0, 2.885, 2.885) == ["headlamp_aim", "driver_assistance"]

    @pytest.mark.parametrize("change", [6.0, -6.0])
    def test_a_corner_that_moves_its_tolerance_names_the_alignment(self, change: float) -> None:
        # All four alike, so that nothing pitches.
        assert self.codes(change, change, change, change) == ["wheel_alignment", "driver_assistance"]

    def test_a_tolerance_may_be_small(self) -> None:
        assert [each.code for each in follow_ups(moved(0.4, 0.4, 0.4, 0.4), (0.5,) * 4)] == []
        assert len(follow_ups(moved(0.5, 0.5, 0.5, 0.5), (0.5,) * 4)) == 2

    def test_a_move_out_of_a_wrong_place_counts_from_there(self) -> None:
        low = BodyPosition((-12.0, -12.0, -12.0, -12.0))
        assert self.codes(0, 0, 0, 0, before=low) == ["wheel_alignment", "driver_assistance"]

    def test_a_decimal_change_equal_to_the_tolerance_counts(self) -> None:
        assert 0.1 + 0.2 - 0.3 > 0  # binary rounding
        start = BodyPosition((497.3 - 486.0,) * 4)
        assert "wheel_alignment" in self.codes(*((491.3 - 486.0,) * 4), before=start)

    def test_each_carries_the_values_that_named_it(self) -> None:
        aim, alignment, assistance = follow_ups(moved(0, -7, 0, 0), TOLERANCES_MM)
        assert aim.values == {"inclination_change_pct": pytest.approx(-350 / 2885), "inclination_step_pct": 0.1}
        assert alignment.values == {"corner": "FR", "height_change_mm": -7.0, "tolerance_mm": 6.0}
        assert assistance.values == {**aim.values, **alignment.values}

    def test_names_the_corner_that_moves_most_against_its_tolerance(self) -> None:
        (alignment, _) = follow_ups(moved(9, 9, 8, 8, geometry=replace(VAN, wheelbase_mm=9000)), (8.0, 9.0, 3.0, 6.0))
        assert alignment.values["corner"] == "RL"

    def test_changed_setpoints_name_everything_whatever_the_heights_do(self) -> None:
        still = moved(0, 0, 0, 0)
        everything = ["headlamp_aim", "wheel_alignment", "driver_assistance"]
        assert [each.code for each in follow_ups(still, TOLERANCES_MM, setpoints_changed=True)] == everything
        assert [each.code for each in follow_ups(None, (), setpoints_changed=True)] == everything
        assert follow_ups(None, ()) == ()

    @pytest.mark.parametrize("change", [2.6, -2.6])
    def test_what_cannot_be_noise_names_everything(self, change: float) -> None:
        noise = (2.5, 9.0, 9.0, 9.0)
        found = moved(change, 0, 0, 0)
        assert follow_ups(found, TOLERANCES_MM) == ()
        named = follow_ups(found, TOLERANCES_MM, expanded_uncertainty_mm=noise)
        assert [each.code for each in named] == ["headlamp_aim", "wheel_alignment", "driver_assistance"]
        assert named[1].values == {"corner": "FL", "height_change_mm": change, "expanded_uncertainty_mm": 2.5}
        within_it = moved(2.5, -2.6, -2.6, 2.6)
        assert follow_ups(within_it, TOLERANCES_MM, expanded_uncertainty_mm=noise) == ()

    def test_the_corner_that_is_furthest_beyond_its_noise_is_named(self) -> None:
        named = follow_ups(moved(4, 4, -5, 4), TOLERANCES_MM, expanded_uncertainty_mm=(3.5, 1.0, 3.0, 3.0))
        assert {each.values["corner"] for each in named if "corner" in each.values} == {"FR"}

    def test_the_whole_body_alike_is_noticed_too(self) -> None:
        named = follow_ups(moved(4, 4, 4, 4), TOLERANCES_MM, expanded_uncertainty_mm=(3.0,) * 4)
        assert len(named) == 3

    @pytest.mark.parametrize("noise", [(6.0, 6.0, 6.0), (6.0, 6.0, 6.0, -1.0), (6.0, 6.0, 6.0, math.nan)])
    def test_refuse_uncertainties_that_are_none(self, noise: tuple[float, ...]) -> None:
        with pytest.raises(MetrologyError, match="expanded_uncertainty_mm"):
            follow_ups(moved(1, 1, 1, 1), TOLERANCES_MM, expanded_uncertainty_mm=noise)

    def test_take_an_uncertainty_of_nought_for_certainty(self) -> None:
        found = follow_ups(moved(0.5, 0, 0, 0), TOLERANCES_MM, expanded_uncertainty_mm=(0.0,) * 4)
        assert found
        assert {each.values["corner"] for each in found} == {"FL"}

    @pytest.mark.parametrize("tolerances", [(6.0, 6.0, 6.0), (6.0, 6.0, 6.0, 0.0), (6.0, 6.0, 6.0, math.nan)])
    def test_refuse_tolerances_that_are_none(self, tolerances: tuple[float, ...]) -> None:
        with pytest.raises(MetrologyError, match="tolerances_mm"):
            follow_ups(moved(1, 1, 1, 1), tolerances)


class TestRefusals:
    @pytest.mark.parametrize("name", sorted(set(BodyGeometry.__dataclass_fields__) - {"headlamp_inclination_pct"}))
    def test_of_impossible_lengths(self, name: str) -> None:
        for value in (0.0, -1.0, math.nan, math.inf):
            with pytest.raises(MetrologyError, match=name):
                replace(VAN, **{name: value})

    @pytest.mark.parametrize("values", [(0.0, 0.0, 0.0), (0.0, 0.0, 0.0, math.nan)])
    def test_of_positions_that_are_not_four_numbers(self, values: Any) -> None:
        for position in (BodyPosition(values), BodyPosition((0.0, 0.0, 0.0, 0.0), values)):
            with pytest.raises(MetrologyError):
                consequences(VAN, AT_TARGET, position)
            with pytest.raises(MetrologyError):
                consequences(VAN, position, AT_TARGET)
