"""Going back: in step-limited writes, each verified alone, past stops and readiness, never to another's counts."""

from __future__ import annotations

import pytest

from fleet.errors import Conflict, Invalid
from fleet.models import OutboxItem
from tests.calibration.bench import COUNTS, Bench
from tests.factories import Site

FAR = {**COUNTS, "FL": 170}


@pytest.fixture
def far(site: Site) -> Bench:
    """FL was written 50 counts away: three steps of at most twenty back."""
    bench = Bench.open(site)
    bench.ready()
    bench.measure()
    bench.write(None, FAR)
    return bench


def test_it_goes_back_in_steps_each_verified_alone_and_ends_reverted_with_a_round(far: Bench) -> None:
    far.revert()
    for expected in (150, 130, 120):
        proposal = far.case.proposals[-1]
        assert (far.next_step, proposal.kind, proposal.outcome) == ("write", "reversion", "allowed")
        assert proposal.to_setpoints["FL"] == expected
        far.write(proposal)
    assert (far.next_step, far.reason) == ("settle_and_measure", "reversion_arrived")
    last = far.measure({"FL": 470})
    assert far.case.job.state == "reverted"
    assert far.next_step == "done"
    assert far.case.assessments[-1].content["rounds"] == [str(last.pk)]
    assert far.case.assessments[-1].content["verdict"] == "outside"
    assert OutboxItem.objects.filter(kind="calibration.job_ended").count() == 1


def test_it_says_how_many_writes_are_left(far: Bench) -> None:
    assert far.revert().content["expected_writes"] == 3


def test_readiness_and_a_leak_do_not_hold_it_up(far: Bench) -> None:
    far.ready(leakage="fail")
    far.revert()
    assert far.next_step == "write"


def test_a_mismatch_on_the_way_is_written_again_and_twice_is_inspected(far: Bench) -> None:
    proposal = far.revert()
    far.write(proposal, FAR)
    assert (far.next_step, far.reason) == ("write", "write_not_verified")
    far.write(proposal, FAR)
    assert (far.next_step, far.reason) == ("inspect", "write_not_verified_twice")
    far.measure()
    assert far.next_step == "write"
    assert far.case.proposals[-1].to_setpoints["FL"] == 150


def test_a_round_on_the_way_gets_the_next_proposal_from_where_it_stands(far: Bench) -> None:
    first = far.revert()
    far.measure(setpoints={**FAR, "FL": 160})
    assert far.next_step == "write"
    assert far.case.proposals[-1].pk != first.pk
    assert far.case.proposals[-1].to_setpoints["FL"] == 140


def test_a_write_without_a_proposal_on_the_way_is_stored_and_it_goes_on(far: Bench) -> None:
    far.revert()
    far.write(None, {**COUNTS, "FL": 125})
    assert far.next_step == "write"
    assert far.case.proposals[-1].to_setpoints["FL"] == 120


def test_an_incomplete_read_back_on_the_way_is_stored_and_asks_for_a_round(far: Bench) -> None:
    far.revert()
    far.write(None, {"FR": 120, "RL": 118, "RR": 121})
    assert (far.next_step, far.reason) == ("measure", "reversion_interrupted")
    far.measure(setpoints=FAR)
    assert far.next_step == "write"


def test_an_interruption_with_changes_on_the_way_gets_a_new_proposal(far: Bench) -> None:
    far.revert()
    far.pause()
    far.resume(nothing_changed=True, setpoints={**FAR, "FL": 165})
    assert far.next_step == "write"
    assert far.case.proposals[-1].to_setpoints["FL"] == 145


def test_other_work_on_the_way_asks_for_a_round_first(far: Bench) -> None:
    far.revert()
    far.event("other")
    assert (far.next_step, far.reason) == ("measure", "reversion_interrupted")
    far.measure()
    assert far.next_step == "write"


def test_a_replaced_sensor_on_the_way_ends_it_because_the_way_back_is_another(far: Bench) -> None:
    far.revert()
    far.event("sensor_replaced", "FL")
    assert far.next_step == "check_readiness"
    far.ready()
    far.measure()
    with pytest.raises(Conflict) as refusal:
        far.revert()
    assert refusal.value.code == "nothing_to_revert"


@pytest.mark.parametrize(("kind", "goal"), [("sensor_replaced", 170), ("leak_repaired", 120), ("alignment", 120)])
def test_an_event_at_a_corner_since_the_as_found_round_changes_where_it_goes(far: Bench, kind: str, goal: int) -> None:
    far.event(kind, "" if kind == "alignment" else "FL")
    far.measure()
    far.write(None, {**COUNTS, "FL": 180, "FR": 130})
    far.revert()
    assert far.case.reversions[-1].goal == {**COUNTS, "FL": goal}


def test_a_linked_partner_goes_where_its_corner_goes(site: Site) -> None:
    linked = {**COUNTS, "RR": 118}
    model = site.specification(linked_corners=[["RL", "RR"]]).vehicle_model
    bench = Bench.open(site, site.vehicle(vehicle_model=model), setpoints=linked)
    bench.measure()
    bench.write(None, {**linked, "RL": 130, "RR": 130})
    bench.event("sensor_replaced", "RL")
    bench.measure()
    bench.write(None, {**linked, "RL": 140, "RR": 140, "FL": 121})
    bench.revert()
    assert bench.case.reversions[-1].goal == {**linked, "RL": 130, "RR": 130}


def test_there_is_no_way_back_before_anything_was_read(site: Site) -> None:
    bench = Bench.open(site)
    with pytest.raises(Conflict) as refusal:
        bench.revert()
    assert refusal.value.code == "nothing_recorded"


def test_there_is_no_way_back_from_where_one_is(site: Site) -> None:
    bench = Bench.open(site)
    bench.measure()
    with pytest.raises(Conflict) as refusal:
        bench.revert()
    assert refusal.value.code == "nothing_to_revert"


def test_there_is_no_way_back_to_counts_that_the_unit_cannot_hold(site: Site) -> None:
    bench = Bench.open(site)
    bench.measure(setpoints={**COUNTS, "FL": 300})
    bench.write(None, COUNTS)
    with pytest.raises(Conflict) as refusal:
        bench.revert()
    assert refusal.value.code == "goal_out_of_range"


def test_from_outside_the_range_each_step_back_is_allowed(site: Site) -> None:
    bench = Bench.open(site)
    bench.measure()
    bench.write(None, {**COUNTS, "FL": 300})
    proposal = bench.revert()
    assert (proposal.outcome, proposal.to_setpoints["FL"]) == ("allowed", 280)


def test_a_second_reversion_under_way_is_out_of_turn(far: Bench) -> None:
    far.revert()
    with pytest.raises(Conflict):
        far.revert()
    with pytest.raises(Conflict):
        far.enter(FL=171)


def test_after_sign_off_a_new_job_goes_back_to_the_earlier_as_found(site: Site) -> None:
    bench = Bench.open(site)
    bench.ready()
    bench.measure({"FL": 470})
    bench.write(bench.propose())
    bench.measure()
    bench.sign_off()
    with pytest.raises(Conflict):
        bench.revert()
    back = Bench.open(site, bench.vehicle, setpoints=bench.setpoints, reason="reversion", to_job=bench.case.job)
    back.measure()
    proposal = back.revert()
    assert proposal.to_setpoints == COUNTS
    back.write(proposal)
    back.measure({"FL": 470})
    assert back.case.job.state == "reverted"


def test_a_job_opened_to_go_back_names_that_as_its_next_step(site: Site) -> None:
    bench = Bench.open(site)
    bench.ready()
    bench.measure({"FL": 470})
    bench.write(bench.propose())
    bench.measure()
    bench.sign_off()
    back = Bench.open(site, bench.vehicle, setpoints=bench.setpoints, reason="reversion", to_job=bench.case.job)
    assert back.next_step == "check_readiness"
    back.measure()
    assert (back.next_step, back.reason) == ("propose", "reversion_asked")
    proposal = back.propose()
    assert (proposal.kind, proposal.to_setpoints) == ("reversion", COUNTS)
    assert back.next_step == "write"


def test_an_earlier_jobs_counts_do_not_hold_for_a_corner_worked_on_since(site: Site) -> None:
    bench = Bench.open(site)
    bench.measure()
    bench.write(None, {**COUNTS, "FL": 125, "FR": 125})
    bench.end()
    bench.event("sensor_replaced", "FL")
    back = Bench.open(site, bench.vehicle, setpoints=bench.setpoints, reason="reversion", to_job=bench.case.job)
    back.now = bench.now
    back.measure()
    assert back.revert().to_setpoints == {**COUNTS, "FL": 125}


@pytest.mark.parametrize(("measured_after", "goal"), [(False, 140), (True, 125)])
def test_between_two_jobs_too_an_event_changes_where_the_later_one_goes(
    site: Site, measured_after: bool, goal: int
) -> None:
    """To the first round after the event; where there is none, to what is stored."""
    first = Bench.open(site, hours_ago=20)
    first.measure()
    first.write(None, {**COUNTS, "FL": 125, "FR": 125})
    first.event("sensor_replaced", "FL")
    if measured_after:
        first.measure()
    first.end()
    back = Bench.open(site, first.vehicle, setpoints={**COUNTS, "FL": 140}, reason="reversion", to_job=first.case.job)
    back.measure()
    back.write(None, {**COUNTS, "FL": 140, "FR": 130})
    assert back.revert().to_setpoints == {**COUNTS, "FL": goal}


def test_a_linked_partner_has_the_same_way_back_to_an_earlier_job(site: Site) -> None:
    linked = {**COUNTS, "RR": 118}
    model = site.specification(linked_corners=[["RL", "RR"]]).vehicle_model
    first = Bench.open(site, site.vehicle(vehicle_model=model), setpoints=linked, hours_ago=20)
    first.measure()
    first.event("spring_replaced", "RL")
    first.end()
    now = {**linked, "FL": 125, "RL": 130, "RR": 130}
    back = Bench.open(site, first.vehicle, setpoints=now, reason="reversion", to_job=first.case.job)
    back.measure()
    assert back.revert().to_setpoints == {**now, "FL": 120}


def test_an_earlier_job_without_a_round_is_no_way_back(site: Site) -> None:
    first = Bench.open(site, hours_ago=20)
    first.end()
    back = Bench.open(site, first.vehicle, reason="reversion", to_job=first.case.job)
    back.measure()
    with pytest.raises(Conflict):
        back.revert()


def test_a_reversion_job_names_an_earlier_job_of_its_own_vehicle(site: Site) -> None:
    other = Bench.open(site)
    for to_job in (None, other.job):
        with pytest.raises(Invalid) as refusal:
            Bench.open(site, reason="reversion", to_job=to_job)
        assert refusal.value.errors[0].pointer == "/to_job"


def test_a_job_found_to_be_another_vehicles_goes_back_to_no_earlier_job_of_the_wrong_one(site: Site) -> None:
    bench = Bench.open(site)
    bench.measure()
    bench.write(None, {**COUNTS, "FL": 125})
    bench.end()
    back = Bench.open(site, bench.vehicle, setpoints=bench.setpoints, reason="reversion", to_job=bench.case.job)
    back.measure()
    back.refile(site.vehicle(vehicle_model=bench.vehicle.vehicle_model))
    with pytest.raises(Conflict) as refusal:
        back.revert()
    assert refusal.value.code == "nothing_to_revert"
