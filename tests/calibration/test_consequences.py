"""What a proposal does to the vehicle, and the work that follows: from the specification's lengths to the interface."""

from __future__ import annotations

import math
from typing import Any

import pytest

from calibration.models import Proposal
from calibration.rules.consequences import Body
from calibration.selectors.specifications import body_of
from fleet.models import Vehicle
from tests.calibration.api.http_bench import HttpBench
from tests.calibration.bench import COUNTS, Bench
from tests.factories import SPECIFICATION, TYRE, Site

LENGTHS: dict[str, Any] = {"front_overhang_mm": 900, "rear_overhang_mm": 1020, "ground_clearance_mm": 190}
"""Those that the example does not give already."""
NONE_OF_THEM: dict[str, Any] = dict.fromkeys(
    (*LENGTHS, "headlamp_height_mm", "headlamp_inclination_pct", "cg_height_mm", "reference_tyre")
)
ABOVE_GROUND = (
    "ground_clearance_mm",
    "headlamp_height_mm",
    "headlamp_inclination_pct",
    "static_stability_factor",
    "approach_deg",
    "departure_deg",
    "breakover_deg",
)
ALL_WORK = ["headlamp_aim", "wheel_alignment", "driver_assistance"]
WHEELBASE, RADIUS = 2885.0, 381.5
"""255/60R18: 457 + 2 × 153 = 763 mm across."""


def vehicle_with(site: Site, **changes: Any) -> Vehicle:
    return site.vehicle(vehicle_model=site.specification(**changes).vehicle_model)


def measured(site: Site, heights: dict[str, float] | None = None, **changes: Any) -> Bench:
    bench = Bench.open(site, vehicle_with(site, **changes))
    bench.ready()
    bench.measure(heights or {"FL": 470})
    return bench


def codes(proposal: Proposal) -> list[str]:
    return [each["code"] for each in proposal.content["follow_ups"]]


def low_front_left_raised(bench: Bench) -> dict[str, Any]:
    """Front left stands 16 mm low and goes up by ten counts of 0.9 mm."""
    found: dict[str, Any] = bench.enter(FL=COUNTS["FL"] + 10).content["consequences"]
    return found


def ramp_deg(distance_mm: float, height_mm: float, radius_mm: float) -> float:
    """The steepest line through the point that a circle standing on the road touches from above, found by bisection."""

    def room(angle: float) -> float:
        line = math.sin(angle) * distance_mm + math.cos(angle) * (radius_mm - height_mm)
        return line - radius_mm

    low, high = 0.0, math.pi / 2
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if room(middle) < 0 else (low, middle)
    return math.degrees(low)


class TestAllLengthsKnown:
    def check(self, found: dict[str, Any]) -> None:
        """Reckoned by hand: deviations (−16, 0, 0, 0) become (−7, 0, 0, 0)."""
        assert found["heave_change_mm"] == found["ground_clearance_change_mm"] == pytest.approx(9 / 4, abs=0.02)
        assert found["pitch_change_mm"] == found["roll_change_mm"] == pytest.approx(9 / 2, abs=0.02)
        assert found["headlamp_inclination_change_pct"] == pytest.approx(100 * 4.5 / WHEELBASE, abs=0.001)
        assert found["headlamp_inclination_pct"]["before"] == -1.2
        assert found["headlamp_inclination_pct"]["after"] == pytest.approx(-1.2 + 450 / WHEELBASE, abs=0.001)
        for when, deviation in (("before", -16.0), ("after", -7.0)):
            heave, pitch = deviation / 4, deviation / 2
            assert found["ground_clearance_mm"][when] == pytest.approx(190 + heave, abs=0.05)
            assert found["headlamp_height_mm"][when] == pytest.approx(850 + heave + pitch / 2, abs=0.05)
            assert found["static_stability_factor"][when] == pytest.approx(1609 / (2 * (720 + heave)), abs=0.0002)
            for name, overhang, sign in (("approach_deg", 900, 1), ("departure_deg", 1020, -1)):
                height = 190 + heave + sign * pitch * (WHEELBASE / 2 + overhang) / WHEELBASE
                assert found[name][when] == pytest.approx(ramp_deg(overhang, height, RADIUS), abs=0.02)
            both = 2 * ramp_deg(WHEELBASE / 2, 190 + heave, RADIUS)
            assert found["breakover_deg"][when] == pytest.approx(both, abs=0.02)

    def test_every_figure_is_given_before_and_after(self, site: Site) -> None:
        self.check(low_front_left_raised(measured(site, **LENGTHS)))

    def test_front_and_rear_confused_are_caught(self, site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
        bench, right = measured(site, **LENGTHS), Body.at
        monkeypatch.setattr(Body, "at", lambda body, heights: right(body, (*heights[2:], *heights[:2])))
        with pytest.raises(AssertionError):
            self.check(low_front_left_raised(bench))

    def test_overhangs_confused_are_caught(self, site: Site) -> None:
        bench = measured(site, **{**LENGTHS, "front_overhang_mm": 1020, "rear_overhang_mm": 900})
        with pytest.raises(AssertionError):
            self.check(low_front_left_raised(bench))

    def test_an_axle_that_rises_turns_the_beams_up_and_the_other_one_down(self, site: Site) -> None:
        bench = measured(site, {"FL": 470, "FR": 470, "RL": 490, "RR": 490}, **LENGTHS)
        front = bench.enter(FL=COUNTS["FL"] + 10, FR=COUNTS["FR"] + 10).content["consequences"]
        assert (front["heave_change_mm"], front["pitch_change_mm"]) == (pytest.approx(4.5, abs=0.02), 9.0)
        assert (front["roll_change_mm"], front["warp_change_mm"]) == (0.0, 0.0)
        assert front["headlamp_inclination_change_pct"] == pytest.approx(0.312, abs=0.001)
        rear = bench.enter(RL=COUNTS["RL"] + 10, RR=COUNTS["RR"] + 10).content["consequences"]
        assert rear["headlamp_inclination_change_pct"] == pytest.approx(-100 * 10.5 / WHEELBASE, abs=0.001)
        assert rear["approach_deg"]["after"] < rear["approach_deg"]["before"]
        assert rear["departure_deg"]["after"] > rear["departure_deg"]["before"]

    def test_a_concession_moves_no_length(self, site: Site) -> None:
        bench = measured(site, {"FL": 486}, **LENGTHS)
        bench.concede(front_mm=500, rear_mm=518)
        bench.decide("approve")
        found = bench.propose().content["consequences"]["ground_clearance_mm"]
        assert found["before"] == pytest.approx(190, abs=0.05)  # at the specification's targets, not the concession's
        assert found["after"] == pytest.approx(190 + 14, abs=1)

    def test_larger_tyres_lift_the_body(self, site: Site) -> None:
        vehicle = vehicle_with(site, **LENGTHS)
        larger = {**TYRE, "size": "275/65R18"}
        fitment = site.fitment(vehicle, tyres=dict.fromkeys(COUNTS, larger))
        content = {**SPECIFICATION, **LENGTHS}
        rises = body_of(content, fitment).hub_rise_mm
        assert rises == ((457 + 2 * 179 - 763) / 2,) * 4
        bench = Bench.open(site, vehicle)
        bench.ready()
        bench.measure({"FL": 470})
        found = bench.enter(FL=COUNTS["FL"] + 10).content["consequences"]
        assert found["ground_clearance_mm"]["before"] == pytest.approx(190 - 4 + rises[0], abs=0.05)
        assert found["heave_change_mm"] == found["ground_clearance_change_mm"]


class TestNoneKnown:
    def test_what_needs_no_further_length_is_given_and_the_rest_is_null(self, site: Site) -> None:
        found = low_front_left_raised(measured(site, **NONE_OF_THEM))
        assert {name for name, value in found.items() if value is None} == set(ABOVE_GROUND)
        assert found["headlamp_inclination_change_pct"] == pytest.approx(0.156, abs=0.001)

    @pytest.mark.parametrize(
        ("missing", "unknown"),
        [
            ("reference_tyre", {"approach_deg", "departure_deg", "breakover_deg"}),
            ("ground_clearance_mm", {"approach_deg", "departure_deg", "breakover_deg", "ground_clearance_mm"}),
            ("front_overhang_mm", {"approach_deg"}),
            ("rear_overhang_mm", {"departure_deg"}),
            ("cg_height_mm", {"static_stability_factor"}),
            ("headlamp_height_mm", {"headlamp_height_mm"}),
            ("headlamp_inclination_pct", {"headlamp_inclination_pct"}),
        ],
    )
    def test_one_length_missing_leaves_out_what_rests_on_it(self, site: Site, missing: str, unknown: set[str]) -> None:
        found = low_front_left_raised(measured(site, **{**LENGTHS, missing: None}))
        assert {name for name, value in found.items() if value is None} == unknown


class TestFollowUps:
    def test_a_computed_proposal_names_all_three(self, site: Site) -> None:
        assert codes(measured(site).propose()) == ALL_WORK

    def test_one_entered_by_hand_names_them_however_small(self, site: Site) -> None:
        """A write is no noise, whatever the tape can show of it."""
        assert codes(measured(site).enter(FL=COUNTS["FL"] + 1)) == ALL_WORK

    def test_the_whole_body_alike_names_them_too(self, site: Site) -> None:
        bench = measured(site, {"FL": 496, "FR": 496, "RL": 514, "RR": 514})
        assert codes(bench.propose()) == ALL_WORK

    def test_a_way_back_names_them_also_where_nothing_can_be_predicted(self, site: Site) -> None:
        bench = measured(site)
        bench.write(bench.propose())
        back = bench.revert()
        assert back.content["predicted"] == {}
        assert (back.content["consequences"], codes(back)) == ({}, ALL_WORK)

    def test_they_are_in_words(self, site: Site) -> None:
        details = [each["detail"] for each in measured(site).propose().content["follow_ups"]]
        assert details[0] == "Check the headlamp aim."


class TestOverHttp:
    @pytest.mark.parametrize("lengths", [LENGTHS, NONE_OF_THEM])
    def test_the_answer_keeps_to_its_description(self, site: Site, lengths: dict[str, Any]) -> None:
        bench = HttpBench.of(site, vehicle_with(site, **lengths))
        bench.measured({"FL": 498, "FR": 486, "RL": 504, "RR": 504})
        proposal = bench.propose()  # held against the interface's description
        assert [each["code"] for each in proposal["follow_ups"]] == ALL_WORK
        assert proposal["consequences"]["headlamp_inclination_change_pct"] < 0
        known = {name for name in ABOVE_GROUND if proposal["consequences"][name] is not None}
        assert known == (set(ABOVE_GROUND) if lengths is LENGTHS else set())
        assert bench.state()["proposal"] == proposal
