"""Corners that do not do what their response promises: one more round confirms, then work stops until it is mended."""

from __future__ import annotations

import pytest

from calibration.services import jobs
from fleet.errors import Conflict
from fleet.ids import new_id
from tests.calibration.bench import Bench
from tests.calibration.living_vehicle import LivingVehicle, Reserve
from tests.factories import Site


def open_low(site: Site, corner: str = "FL") -> Bench:
    bench = Bench.open(site)
    bench.ready()
    bench.measure({corner: 466})
    bench.write(bench.propose())
    return bench


def test_a_dead_corner_is_confirmed_by_one_more_round_and_then_stops_the_work(site: Site) -> None:
    bench = open_low(site)
    bench.measure({"FL": 466})
    assert (bench.next_step, bench.reason) == ("settle_and_measure", "confirm_suspicion")
    assert bench.standing.next_step.corners == ("FL",)
    bench.measure({"FL": 466})
    assert (bench.next_step, bench.reason) == ("inspect", "corner_not_responding")
    with pytest.raises(Conflict) as refusal:
        bench.propose()
    assert refusal.value.next_step == "inspect"
    with pytest.raises(Conflict):
        bench.enter(FR=121)


def test_a_reversed_corner_is_named(site: Site) -> None:
    bench = open_low(site)
    for _ in range(2):
        bench.measure({"FL": 448})
    assert bench.reason == "corner_reversed"


def test_a_weak_corner_is_named(site: Site) -> None:
    bench = open_low(site)
    for _ in range(2):
        bench.measure({"FL": 472})
    assert bench.reason == "corner_weak"


def test_a_suspicion_that_the_next_round_does_not_confirm_is_gone(site: Site) -> None:
    bench = open_low(site)
    bench.measure({"FL": 466})
    bench.measure({"FL": 486})
    assert bench.next_step != "inspect"
    assert "corner_not_responding" not in bench.codes()


def test_after_the_sensor_was_replaced_the_work_goes_on(site: Site) -> None:
    bench = open_low(site)
    for _ in range(2):
        bench.measure({"FL": 466})
    bench.event("sensor_replaced", "FL")
    assert bench.next_step == "check_readiness", "an event asks for all readiness again"
    bench.ready()
    assert (bench.next_step, bench.reason) == ("measure", "after_event")
    bench.measure({"FL": 466})
    assert bench.next_step == "propose"
    bench.write(bench.propose())
    bench.measure()
    assert bench.next_step == "sign_off"


@pytest.mark.parametrize("kind", ["alignment", "collision", "other"])
def test_work_that_mends_no_corner_clears_no_suspicion(site: Site, kind: str) -> None:
    bench = open_low(site)
    for _ in range(2):
        bench.measure({"FL": 466})
    bench.event(kind)
    bench.ready()
    bench.measure({"FL": 466})
    assert (bench.next_step, bench.reason) == ("inspect", "corner_not_responding")


def test_work_on_another_corner_clears_no_suspicion(site: Site) -> None:
    bench = open_low(site)
    for _ in range(2):
        bench.measure({"FL": 466})
    bench.event("sensor_replaced", "RR")
    bench.ready()
    bench.measure({"FL": 466})
    assert bench.reason == "corner_not_responding"


def test_an_accepted_stop_lets_the_work_go_on_and_a_rejected_one_does_not(site: Site) -> None:
    bench = open_low(site)
    for _ in range(2):
        bench.measure({"FL": 466})
    bench.rule("corner_not_responding", "reject")
    assert bench.next_step == "inspect"
    bench.rule("corner_not_responding", "accept")
    assert bench.next_step == "propose"
    with pytest.raises(Conflict) as refusal:
        bench.rule("corner_not_responding", "accept")
    assert refusal.value.code == "ruled_already"


def test_a_reversion_is_exempt_from_the_stop(site: Site) -> None:
    bench = open_low(site)
    for _ in range(2):
        bench.measure({"FL": 466})
    proposal = bench.revert()
    assert proposal.outcome == "allowed"
    assert bench.next_step == "write"


@pytest.mark.parametrize(("fault", "code"), [("dead", "corner_not_responding"), ("reversed", "corner_reversed")])
def test_a_simulated_faulty_corner_is_named_mended_and_signed_off(site: Site, fault: str, code: str) -> None:
    living = LivingVehicle.arrive(
        site, site.specification(), error_mm=(-18, 0, 0, 0), faults=(fault, "healthy", "healthy", "healthy"), seed=4
    )
    assert living.follow(Reserve.of(site)) == "signed_off"
    assert f"inspect:{code}" in living.steps


def test_limits_exhausted_stop_the_work_and_a_reset_baseline_opens_a_way(site: Site) -> None:
    model = site.specification(shift_limit_counts=8, shift_review_counts=8, step_max_counts=8).vehicle_model
    bench = Bench.open(site, site.vehicle(vehicle_model=model))
    bench.ready()
    bench.measure({"FL": 466, "FR": 466})
    bench.write(bench.propose())
    bench.measure({"FL": 473.5, "FR": 473.5})
    assert (bench.next_step, bench.reason) == ("inspect", "limits_exhausted")
    jobs.baseline_reset(
        actor=bench.actor(site.manager),
        record_id=new_id(),
        vehicle=bench.vehicle,
        corners=["FL", "FR"],
        reason="other bracket",
    )
    assert bench.next_step == "propose"


def test_an_accepted_exhausted_limit_lets_a_person_enter_a_proposal_but_signs_nothing(site: Site) -> None:
    model = site.specification(shift_limit_counts=8, shift_review_counts=8, step_max_counts=8).vehicle_model
    bench = Bench.open(site, site.vehicle(vehicle_model=model))
    bench.ready()
    bench.measure({"FL": 466, "FR": 466})
    bench.write(bench.propose())
    bench.measure({"FL": 473.5, "FR": 473.5})
    with pytest.raises(Conflict):
        bench.enter(FL=129)
    for finding in bench.standing.stops:
        bench.rule_on(finding.id)
    assert bench.next_step == "inspect"
    assert bench.enter(FL=bench.setpoints["FL"] + 1).outcome == "refused"
    with pytest.raises(Conflict):
        bench.sign_off()


def test_six_writes_in_a_job_stop_it(site: Site) -> None:
    bench = Bench.open(site)
    bench.ready()
    height = 460.0
    for _ in range(6):
        bench.measure({"FL": height})
        while bench.next_step == "settle_and_measure":
            bench.measure({"FL": height})
        proposal = bench.propose()
        bench.write(proposal, {**proposal.from_setpoints, "FL": proposal.from_setpoints["FL"] + 3})
        height += 2.7
    bench.measure({"FL": height})
    while bench.next_step == "settle_and_measure":
        bench.measure({"FL": height})
    assert (bench.next_step, bench.reason) == ("inspect", "too_many_writes")
    assert bench.enter(FL=bench.setpoints["FL"] + 2).outcome != "refused", "a person may still enter one by hand"
