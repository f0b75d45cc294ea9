"""Vehicles that are not like the others: fewer controlled corners, linked corners, no specification, wrong tyres."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from calibration.services import proposals
from fleet.errors import Conflict, Invalid
from fleet.ids import new_id
from tests.calibration.bench import Bench
from tests.factories import SPECIFICATION, TYRE, Site

STEEL = {"target_mm": 486, "tolerance_mm": 6, "axle_load_kg": 1450}
REAR = {"RL": 118, "RR": 121}
LINKED = {"FL": 120, "FR": 120, "RL": 118, "RR": 118}


def open_with(site: Site, setpoints: dict[str, int], **specification: Any) -> Bench:
    model = site.specification(**specification).vehicle_model
    bench = Bench.open(site, site.vehicle(vehicle_model=model), setpoints=setpoints)
    bench.ready()
    return bench


def test_a_rear_only_van_is_measured_everywhere_and_moved_at_the_rear(site: Site) -> None:
    bench = open_with(site, REAR, front=STEEL, controlled_corners=["RL", "RR"])
    bench.measure({"FL": 470, "RL": 490})
    assert "not_adjustable_here" in bench.codes()
    assert bench.next_step == "propose"
    proposal = bench.propose()
    assert set(proposal.to_setpoints) == {"RL", "RR"}
    bench.write(proposal)
    bench.measure({"FL": 470})
    assert bench.next_step == "sign_off", "an uncontrolled corner outside tolerance does not block it"


def test_a_linked_axle_moves_together(site: Site) -> None:
    bench = open_with(site, LINKED, linked_corners=[["RL", "RR"]])
    bench.measure({"RL": 490, "RR": 491})
    proposal = bench.propose()
    assert proposal.to_setpoints["RL"] == proposal.to_setpoints["RR"] != 118


def test_a_linked_side_difference_becomes_not_adjustable_here_and_blocks_nothing(site: Site) -> None:
    bench = open_with(site, LINKED, linked_corners=[["RL", "RR"]])
    bench.measure({"RL": 499, "RR": 509})
    for _ in range(3):
        if bench.next_step == "settle_and_measure":
            bench.measure({"RL": 499, "RR": 509})
    assert "not_adjustable_here" in bench.codes()
    assert bench.next_step in ("sign_off", "get_approval")
    assert not bench.standing.stops


def test_unequal_counts_on_linked_corners_are_a_fact_in_a_round_and_no_proposal(site: Site) -> None:
    bench = open_with(site, LINKED, linked_corners=[["RL", "RR"]])
    bench.measure({"RL": 480, "RR": 480}, setpoints={**LINKED, "RR": 125})
    assert "linked_setpoints_differ" in bench.codes()
    assert (bench.next_step, bench.reason) == ("measure", "setpoints_incomplete")
    bench.measure({"RL": 480, "RR": 480})
    assert bench.next_step == "propose"
    with pytest.raises(Invalid) as refusal:
        bench.enter(RL=120)
    assert [each.code for each in refusal.value.errors] == ["linked_corners"]


def test_a_round_without_a_controlled_corners_count_leads_to_no_verdict_that_it_cannot_be_moved(site: Site) -> None:
    bench = Bench.open(site)
    bench.ready()
    bench.measure({"FL": 460}, setpoints={"FR": 120, "RL": 118, "RR": 121})
    assert "setpoints_incomplete" in bench.codes()
    assert "not_adjustable_here" not in bench.codes()
    assert (bench.next_step, bench.reason) == ("measure", "setpoints_incomplete")


def test_where_two_rounds_in_a_row_lack_a_count_the_vehicle_or_its_specification_is_looked_at(site: Site) -> None:
    """A van with air at the rear only, on a specification that has four controlled corners."""
    bench = Bench.open(site, setpoints=REAR)
    bench.ready()
    bench.measure({"FL": 460})
    assert (bench.next_step, bench.reason) == ("measure", "setpoints_incomplete")
    bench.measure({"FL": 460})
    assert (bench.next_step, bench.reason) == ("inspect", "setpoints_incomplete")
    with pytest.raises(Conflict):
        bench.enter(RL=119)
    assert bench.end().state == "ended"


@pytest.mark.parametrize("as_what", ["round", "write", "resumption"])
def test_after_incomplete_set_points_a_complete_round_is_judged_and_planned_on(site: Site, as_what: str) -> None:
    bench = Bench.open(site)
    bench.ready()
    bench.measure({"FL": 470})
    complete, incomplete = dict(bench.setpoints), {"FR": 120, "RL": 118, "RR": 121}
    if as_what == "round":
        bench.measure({"FL": 470}, setpoints=incomplete)
    elif as_what == "write":
        bench.write(None, incomplete)
    else:
        bench.pause()
        bench.resume(setpoints=incomplete)
        bench.ready()
    bench.measure({"FL": 470}, setpoints=complete)
    assert bench.next_step == "propose"
    assert bench.propose().from_setpoints == complete


def test_a_vehicle_without_a_specification_is_recorded_and_takes_the_first_revision_once(site: Site) -> None:
    bench = Bench.open(site, site.vehicle(vehicle_model=site.vehicle_model()))
    bench.ready()
    bench.measure({"FL": 470})
    assert (bench.next_step, bench.reason) == ("inspect", "no_specification")
    assert bench.case.assessments == []
    with pytest.raises(Conflict):
        bench.propose()
    first = bench.add_revision()
    assert bench.next_step == "propose"
    assert not bench.standing.stops
    proposal = bench.propose()
    bench.add_revision(front={"target_mm": 500, "tolerance_mm": 3, **_rest()})
    bench.write(proposal)
    assert bench.case.job.specification_id == first.pk
    assert bench.standing.specification is not None
    assert bench.standing.specification.front.target_mm == 486


def _rest() -> dict[str, float]:
    return {
        "setpoint_low": 40,
        "setpoint_high": 215,
        "response_mm_per_count": 0.9,
        "response_sd": 0.15,
        "axle_load_kg": 1450,
    }


def test_a_job_that_ended_without_a_specification_takes_none_afterwards(site: Site) -> None:
    bench = Bench.open(site, site.vehicle(vehicle_model=site.vehicle_model()))
    bench.measure()
    bench.end()
    shown = bench.standing.content_sha256
    bench.add_revision()
    assert bench.case.specification is None
    assert bench.standing.content_sha256 == shown


def test_an_odometer_below_the_one_before_is_a_note(site: Site) -> None:
    bench = Bench.open(site)
    bench.end()
    again = Bench.open(site, bench.vehicle, odometer_km=Decimal(48000))
    finding = next(each for each in again.case.findings if each.code == "odometer_lower")
    assert finding.severity == "note"
    assert again.next_step == "check_readiness"


def test_so_is_one_below_that_at_which_its_tyres_were_fitted(site: Site) -> None:
    vehicle = site.vehicle()
    site.fitment(vehicle, odometer_km=Decimal(84120))
    bench = Bench.open(site, vehicle, odometer_km=Decimal(8412))
    finding = next(each for each in bench.case.findings if each.code == "odometer_lower")
    assert finding.values == {"odometer_km": 8412.0, "before_km": 84120.0}


# --- tyres ---------------------------------------------------------------------------------------------
WEAK = {**TYRE, "load_index": 90}
"""600 kg (ETRTO load index table), less than half of either axle's load."""
UNLISTED = {**TYRE, "size": "235/65R17"}


def test_tyres_that_bear_too_little_block_the_sign_off_until_others_are_fitted(site: Site) -> None:
    bench = Bench.open(site)
    bench.fit(TYRE, FL=WEAK)
    bench.ready()
    bench.measure()
    assert (bench.next_step, bench.reason) == ("inspect", "load_capacity_low")
    assert bench.standing.next_step.corners == ("FL",)
    with pytest.raises(Conflict):
        bench.sign_off()
    bench.fit(TYRE)
    bench.measure()
    assert bench.next_step == "sign_off"
    assert bench.sign_off().state == "signed_off"


def test_no_ruling_lifts_a_load_capacity_that_is_too_low(site: Site) -> None:
    bench = Bench.open(site)
    bench.fit(WEAK)
    bench.ready()
    with pytest.raises(Conflict) as refusal:
        bench.rule("load_capacity_low")
    assert refusal.value.code == "tyres_needed"


def test_tyres_that_bear_too_little_do_not_stop_the_adjustment(site: Site) -> None:
    bench = Bench.open(site)
    bench.fit(WEAK)
    bench.ready()
    bench.measure({"FL": 470})
    assert bench.next_step == "propose"


def test_newer_load_data_lift_it_too_and_change_nothing_else_of_the_job(site: Site) -> None:
    bench = Bench.open(site)
    bench.fit(WEAK)
    bench.ready()
    bench.measure()
    assert bench.reason == "load_capacity_low"
    lighter = {axle: {**_axle(axle), "axle_load_kg": 1100, "target_mm": 600} for axle in ("front", "rear")}
    bench.add_revision(**lighter)
    assert bench.next_step == "sign_off"
    assert bench.case.job.specification is not None
    assert bench.case.job.specification.revision == 1


def _axle(name: str) -> dict[str, float]:
    return dict(SPECIFICATION[name])


def test_a_size_that_is_not_listed_waits_for_a_ruling(site: Site) -> None:
    vehicle = site.vehicle()
    site.fitment(vehicle, tyres={corner: dict(UNLISTED) for corner in ("FL", "FR", "RL", "RR")})
    bench = Bench.open(site, vehicle)
    bench.ready()
    bench.measure()
    assert (bench.next_step, bench.reason) == ("get_approval", "rulings_missing")
    for finding in bench.standing.missing_rulings:
        bench.rule_on(finding.id)
    assert bench.next_step == "sign_off"


def test_tyres_fitted_after_the_close_leave_the_closed_job_as_it_was(site: Site) -> None:
    bench = Bench.open(site)
    bench.ready()
    bench.measure()
    bench.sign_off()
    before = bench.standing
    bench.fit(UNLISTED)
    assert bench.standing.content_sha256 == before.content_sha256
    assert bench.standing.assessment is not None


def test_an_entered_proposal_for_an_uncontrolled_corner_is_given_back(site: Site) -> None:
    bench = open_with(site, REAR, front=STEEL, controlled_corners=["RL", "RR"])
    bench.measure({"RL": 490})
    with pytest.raises(Invalid) as refusal:
        proposals.proposal_enter(
            actor=bench.actor(),
            record_id=new_id(),
            job_id=bench.job.pk,
            setpoints={"FL": 1, "RL": 120},
            justification="by hand",
        )
    assert {(each.pointer, each.code) for each in refusal.value.errors} == {
        ("/setpoints/FL", "uncontrolled_corner"),
        ("/setpoints/RR", "required"),
    }
