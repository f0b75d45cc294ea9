"""Jobs that do not run straight: paused, refiled, on two tablets, or with facts that arrive after the close."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.db import transaction

from calibration.models import Job
from calibration.services import jobs
from fleet.errors import Conflict, Forbidden, Invalid
from fleet.models import LedgerEntry, OutboxItem
from tests.calibration.bench import COUNTS, Bench
from tests.factories import SPECIFICATION, Site


@pytest.fixture
def bench(site: Site) -> Bench:
    """A low corner, measured, with an open proposal."""
    bench = Bench.open(site)
    bench.ready()
    bench.measure({"FL": 470})
    bench.propose()
    return bench


# --- pause ----------------------------------------------------------------------------------------------
def test_a_pause_without_changes_keeps_the_rounds_and_the_proposal(bench: Bench) -> None:
    assert bench.pause().state == "paused"
    assert bench.next_step == "paused"
    with pytest.raises(Conflict):
        bench.pause()
    assert bench.resume().state == "measuring"
    assert bench.next_step == "write"
    assert bench.standing.is_ready


@pytest.mark.parametrize(
    ("nothing_changed", "setpoints", "findings"),
    [(False, COUNTS, []), (True, {**COUNTS, "FL": 130}, ["setpoints_changed_elsewhere"])],
)
def test_a_pause_with_changes_asks_for_readiness_and_a_round_anew(
    bench: Bench, nothing_changed: bool, setpoints: dict[str, int], findings: list[str]
) -> None:
    before = len(bench.codes())
    bench.pause()
    bench.resume(nothing_changed=nothing_changed, setpoints=setpoints)
    assert bench.codes()[before:] == findings
    assert bench.next_step == "check_readiness"
    assert bench.standing.open_proposal is None, "the proposal was made for what stood before"
    bench.ready()
    assert (bench.next_step, bench.reason) == ("measure", "after_resumption")
    bench.measure({"FL": 470 if setpoints == COUNTS else 475}, setpoints=setpoints)
    assert bench.next_step == "propose"
    assert bench.standing.course.as_found is not None
    assert bench.standing.course.as_found.setpoints == COUNTS, "the original as-found stays the way back"


def test_resuming_what_is_not_paused_is_out_of_turn(bench: Bench) -> None:
    with pytest.raises(Conflict) as refusal:
        bench.resume()
    assert refusal.value.next_step == "write"


def test_a_paused_job_is_open_and_facts_come_in(site: Site, bench: Bench) -> None:
    bench.pause()
    bench.measure()
    assert bench.case.job.state == "paused"
    with pytest.raises(Conflict) as refusal:
        Bench.open(site, bench.vehicle)
    assert refusal.value.code == "job_open"
    assert bench.end().state == "ended"


# --- refiling -------------------------------------------------------------------------------------------
def test_a_job_moves_to_another_vehicle_and_is_judged_by_its_specification(site: Site, bench: Bench) -> None:
    first = bench.vehicle
    axles: dict[str, Any] = {axle: {**SPECIFICATION[axle], "target_mm": 470} for axle in ("front", "rear")}
    other = site.vehicle(vehicle_model=site.specification(**axles).vehicle_model)
    bench.refile(other)
    assert bench.case.job.vehicle_id == other.pk
    assert bench.standing.open_proposal is None
    assert bench.standing.assessment is not None
    assert bench.standing.assessment.corner("FL").deviation_mm == 0
    for vehicle in (first, other):
        assert LedgerEntry.objects.filter(book=vehicle.pk, kind="job_refiled").count() == 1
    told = OutboxItem.objects.get(kind="calibration.job_refiled")
    assert told.payload["from_vehicle"] == str(first.pk)


def test_a_closed_job_moves_too_and_stays_closed(site: Site) -> None:
    bench = Bench.open(site)
    bench.ready()
    bench.measure()
    bench.sign_off()
    bench.refile(site.vehicle(vehicle_model=bench.vehicle.vehicle_model))
    assert bench.case.job.state == "signed_off"


@pytest.mark.parametrize("is_closed", [False, True])
def test_no_job_moves_to_a_vehicle_with_an_open_one(site: Site, bench: Bench, is_closed: bool) -> None:
    busy = Bench.open(site).vehicle
    if is_closed:
        bench.end()
    with pytest.raises(Conflict) as refusal:
        bench.refile(busy)
    assert refusal.value.code == "job_open"


def test_two_that_open_or_move_to_one_vehicle_at_once_make_one_open_job(
    site: Site, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each has looked before the other was stored; the database has the last word."""
    busy = Bench.open(site)
    monkeypatch.setattr(jobs, "_require_no_open_job", lambda vehicle: None)
    for act in (lambda: bench.refile(busy.vehicle), lambda: Bench.open(site, busy.vehicle)):
        with pytest.raises(Conflict) as refusal, transaction.atomic():
            act()
        assert refusal.value.code == "job_open"
        assert str(busy.job.pk) in str(refusal.value.detail)


def test_a_job_does_not_move_to_where_it_is_nor_by_a_technician(site: Site, bench: Bench) -> None:
    with pytest.raises(Invalid):
        bench.refile(bench.vehicle)
    with pytest.raises(Forbidden):
        bench.refile(site.vehicle(), bench.technician)


def test_open_requests_are_void_after_refiling(site: Site, bench: Bench) -> None:
    bench.measure({"FL": 470})
    bench.enter(RR=COUNTS["RR"] + 1)
    bench.concede()
    assert bench.standing.open_approval is not None
    bench.refile(site.vehicle(vehicle_model=bench.vehicle.vehicle_model))
    assert bench.standing.open_approval is None
    assert bench.next_step == "propose"


def test_a_concession_was_for_the_other_vehicle(site: Site, bench: Bench) -> None:
    bench.concede()
    bench.decide("approve")
    assert bench.standing.concession is not None
    bench.refile(site.vehicle(vehicle_model=bench.vehicle.vehicle_model))
    assert bench.standing.concession is None


def test_an_approved_sign_off_was_for_the_other_vehicle(site: Site) -> None:
    narrow: dict[str, Any] = {axle: {**SPECIFICATION[axle], "tolerance_mm": 1.5} for axle in ("front", "rear")}
    bench = Bench.open(site, site.vehicle(vehicle_model=site.specification(**narrow).vehicle_model))
    bench.ready()
    for _ in range(3):
        bench.measure()
    bench.decide("approve")
    bench.refile(site.vehicle(vehicle_model=bench.vehicle.vehicle_model))
    assert (bench.next_step, bench.reason) == ("get_approval", "tape_cannot_decide")
    assert bench.standing.open_approval is not None


def test_the_baselines_of_both_vehicles_are_rebuilt(site: Site, bench: Bench) -> None:
    from calibration.selectors.vehicle_setpoints import baseline_of

    first, other = bench.vehicle, site.vehicle(vehicle_model=bench.vehicle.vehicle_model)
    bench.refile(other)
    assert baseline_of(first.pk, 0, 255) == {}
    assert baseline_of(other.pk, 0, 255) == COUNTS


# --- readiness ------------------------------------------------------------------------------------------
def test_readiness_items_merge_and_the_last_outcome_counts(site: Site) -> None:
    from calibration.services.readiness import readiness_record
    from fleet.ids import new_id

    bench = Bench.open(site)

    def check(item: str, outcome: str) -> None:
        checks = {item: {"outcome": outcome, "note": "seen"}}
        readiness_record(actor=bench.actor(), record_id=new_id(), job_id=bench.job.pk, checks=checks)

    bench.ready(leakage="not_done")
    assert (bench.next_step, bench.reason) == ("check_readiness", "readiness_missing")
    check("leakage", "fail")
    assert bench.reason == "readiness_failed"
    check("leakage", "pass")
    assert bench.next_step == "measure"
    assert bench.standing.readiness["floor"] == "pass"


@pytest.mark.parametrize(("listed", "is_ready"), [([], False), (["reservoir"], True)])
def test_not_applicable_counts_only_for_what_the_specification_lists(
    site: Site, listed: list[str], is_ready: bool
) -> None:
    model = site.specification(readiness_not_applicable=listed).vehicle_model
    bench = Bench.open(site, site.vehicle(vehicle_model=model))
    bench.ready(reservoir="not_applicable")
    assert bench.standing.is_ready is is_ready


def test_undone_readiness_blocks_the_proposal_but_no_round(site: Site) -> None:
    bench = Bench.open(site)
    bench.measure({"FL": 470})
    with pytest.raises(Conflict) as refusal:
        bench.propose()
    assert refusal.value.next_step == "check_readiness"


def test_an_event_asks_for_all_readiness_again(bench: Bench) -> None:
    bench.event("other")
    assert set(bench.standing.readiness.values()) == {"not_done"}


# --- late and wrongly clocked facts ---------------------------------------------------------------------
def test_late_facts_never_change_a_closed_job(site: Site) -> None:
    bench = Bench.open(site)
    bench.ready()
    bench.measure()
    bench.sign_off()
    before = OutboxItem.objects.filter(kind="calibration.record_after_close").count()
    bench.measure({"FL": 440})
    bench.write(None, {**COUNTS, "FL": 150})
    bench.ready(leakage="fail")
    assert bench.case.job.state == "signed_off"
    assert bench.next_step == "done"
    assert bench.codes().count("recorded_after_close") == 3
    assert OutboxItem.objects.filter(kind="calibration.record_after_close").count() == before + 3


def test_a_ruling_on_a_late_fact_offers_no_second_replacement(site: Site) -> None:
    bench = Bench.open(site)
    bench.ready()
    bench.measure()
    bench.sign_off()
    bench.measure()
    told = OutboxItem.objects.filter(kind="calibration.record_after_close").count()
    bench.rule("recorded_after_close")
    assert OutboxItem.objects.filter(kind="calibration.record_after_close").count() == told
    assert bench.case.job.state == Job.State.SIGNED_OFF


def test_an_ended_job_takes_no_step_that_is_not_a_fact(bench: Bench) -> None:
    bench.end()
    for step in (bench.propose, bench.pause, bench.revert, bench.concede, bench.end, bench.sign_off):
        with pytest.raises(Conflict) as refusal:
            step()
        assert refusal.value.next_step == "done"


def test_two_tablets_rounds_pool(site: Site) -> None:
    bench = Bench.open(site)
    bench.ready()
    bench.measure({"FL": 480})
    bench.measure({"FL": 481}, by=site.person("technician"))
    assert len(bench.standing.course.pool) == 2


@pytest.mark.parametrize("wrong", [timedelta(days=365), timedelta(days=-365)])
def test_a_wrong_clock_is_a_finding_and_puts_the_fact_where_it_arrived(site: Site, wrong: timedelta) -> None:
    bench = Bench.open(site)
    bench.ready()
    bench.measure({"FL": 470}, taken_at=bench.now + wrong)
    assert "clock_wrong" in bench.codes()
    bench.write(bench.propose())
    assert bench.next_step == "settle_and_measure", "the round of the wrong clock is not the latest for ever"
    bench.measure()
    assert (bench.next_step, bench.reason) == ("get_approval", "rulings_missing")


def test_lateness_alone_and_a_clock_whose_offset_is_known_are_no_finding(site: Site) -> None:
    bench = Bench.open(site)
    bench.tick()
    noted = bench.now
    bench.now += timedelta(hours=3)
    bench.measure(taken_at=noted)
    assert "clock_wrong" not in bench.codes()


@pytest.mark.parametrize("lag", [timedelta(minutes=4), timedelta(minutes=12)])
def test_a_clock_that_lags_does_not_put_a_round_before_the_write_that_it_followed(site: Site, lag: timedelta) -> None:
    bench = Bench.open(site)
    bench.ready()
    bench.measure({"FL": 470}, taken_at=bench.now + timedelta(minutes=1) - lag)
    proposal = bench.propose()
    bench.write(proposal, written_at=bench.now + timedelta(minutes=1) - lag)
    bench.now += timedelta(minutes=9)
    bench.measure(taken_at=bench.now + timedelta(minutes=1) - lag)
    assert bench.standing.course.stored == proposal.to_setpoints
    assert [each.id for each in bench.standing.course.pool] == [bench.case.rounds[-1].pk]
    assert "setpoints_changed_elsewhere" not in bench.codes()


def test_a_clock_that_lags_does_not_put_a_round_before_the_resumption_that_it_followed(site: Site) -> None:
    bench = Bench.open(site)
    bench.pause()
    bench.resume(nothing_changed=False)
    bench.ready()
    bench.measure(taken_at=bench.now + timedelta(minutes=1) - timedelta(minutes=3))
    assert bench.next_step == "sign_off"


def test_a_clock_a_little_behind_is_no_finding(site: Site) -> None:
    bench = Bench.open(site)
    bench.measure(taken_at=bench.job.opened_at - timedelta(minutes=2))
    assert "clock_wrong" not in bench.codes()


def test_an_event_noted_for_the_future_does_not_void_what_is_measured_after_it(site: Site) -> None:
    bench = Bench.open(site)
    bench.ready()
    bench.event("spring_replaced", "FL", happened_at=bench.now + timedelta(days=300))
    bench.ready()
    bench.measure()
    assert bench.next_step == "sign_off"


def test_a_round_at_another_ride_position_or_unsettled_is_kept_and_not_judged(site: Site) -> None:
    bench = Bench.open(site)
    bench.ready()
    bench.measure({"FL": 440}, settled=False)
    assert bench.next_step == "measure"
    bench.measure()
    bench.measure(ride_position="raised")
    assert (bench.next_step, bench.reason) == ("measure", "after_ride_position")
    assert len(bench.case.rounds) == 3
