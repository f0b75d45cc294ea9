"""Writes are facts, whatever they were done on; what they lacked stands beside them."""

from __future__ import annotations

import pytest

from fleet.errors import Conflict, Invalid
from tests.calibration.bench import COUNTS, Bench
from tests.factories import Site


@pytest.fixture
def bench(site: Site) -> Bench:
    """A low corner, measured; `propose` is next."""
    bench = Bench.open(site)
    bench.ready()
    bench.measure({"FL": 470})
    return bench


def sign_after_ruling(bench: Bench, code: str) -> None:
    bench.measure()
    assert (bench.next_step, bench.reason) == ("get_approval", "rulings_missing")
    assert bench.standing.open_approval is None
    assert code in [each.code for each in bench.standing.missing_rulings]
    for finding in bench.standing.missing_rulings:
        bench.rule_on(finding.id)
    assert bench.next_step == "sign_off"


def test_a_write_without_a_proposal_is_stored_and_waits_for_a_ruling(bench: Bench) -> None:
    bench.write(None, {**COUNTS, "FL": 138})
    assert bench.next_step == "settle_and_measure"
    sign_after_ruling(bench, "write_without_proposal")


def test_a_rejected_finding_leaves_only_reversion_and_the_end(bench: Bench) -> None:
    bench.write(None, {**COUNTS, "FL": 138})
    bench.measure()
    bench.rule("write_without_proposal", "reject")
    assert (bench.next_step, bench.reason) == ("inspect", "finding_rejected")
    with pytest.raises(Conflict):
        bench.sign_off()
    assert bench.revert().outcome == "allowed"


def test_a_write_of_a_refused_proposal_is_stored_with_its_finding(bench: Bench) -> None:
    refused = bench.enter(FL=COUNTS["FL"] + 90)
    assert refused.outcome == "refused"
    assert bench.next_step == "propose"
    bench.write(refused)
    assert "write_of_refused_proposal" in bench.codes()
    assert bench.case.job.state == "adjusting"


def test_a_write_before_the_approval_is_stored_with_its_finding(bench: Bench) -> None:
    waiting = bench.enter(RR=COUNTS["RR"] + 1)
    assert waiting.outcome == "needs_approval"
    assert (bench.next_step, bench.reason) == ("get_approval", "proposal")
    bench.write(waiting)
    assert "write_of_unapproved_proposal" in bench.codes()


def test_a_write_after_a_refused_approval_is_stored_with_its_finding(bench: Bench) -> None:
    waiting = bench.enter(RR=COUNTS["RR"] + 1)
    bench.decide("refuse")
    bench.write(waiting)
    assert "write_of_unapproved_proposal" in bench.codes()


def test_a_write_of_a_superseded_proposal_is_stored_with_its_finding(bench: Bench) -> None:
    old = bench.propose()
    bench.measure({"FL": 470})
    assert bench.standing.open_proposal is None
    bench.write(old)
    assert "write_of_superseded_proposal" in bench.codes()


def test_a_proposal_of_another_job_is_given_back(site: Site, bench: Bench) -> None:
    other = Bench.open(site)
    other.ready()
    other.measure({"FL": 470})
    with pytest.raises(Invalid) as refusal:
        bench.write(other.propose())
    assert refusal.value.errors[0].pointer == "/proposal"


def test_a_mismatch_keeps_the_proposal_open_and_a_verified_write_closes_it(bench: Bench) -> None:
    proposal = bench.propose()
    bench.write(proposal, {**proposal.to_setpoints, "FL": 121})
    assert (bench.next_step, bench.reason) == ("write", "write_not_verified")
    bench.write(proposal)
    assert bench.next_step == "settle_and_measure"
    sign_after_ruling(bench, "write_not_verified")


def test_a_second_mismatch_stops_until_a_round_shows_where_it_stands(bench: Bench) -> None:
    proposal = bench.propose()
    for _ in range(2):
        bench.write(proposal, {**proposal.to_setpoints, "FL": 121})
    assert (bench.next_step, bench.reason) == ("inspect", "write_not_verified_twice")
    bench.measure({"FL": 471})
    assert bench.next_step == "propose"
    assert bench.propose().from_setpoints["FL"] == 121, "judged at the counts read"


def test_conflicting_writes_of_two_tablets_wait_for_a_ruling(bench: Bench) -> None:
    proposal = bench.propose()
    bench.write(proposal)
    bench.write(proposal, {**proposal.to_setpoints, "FL": 131})
    assert {"writes_conflict", "write_of_superseded_proposal", "write_not_verified"} <= set(bench.codes())
    bench.measure()
    assert bench.reason == "rulings_missing"


def test_set_points_outside_band_or_range_are_a_fact(bench: Bench) -> None:
    bench.write(None, {**COUNTS, "FL": 230})
    finding = next(each for each in bench.case.findings if each.code == "setpoint_out_of_range")
    assert (finding.corner, finding.severity) == ("FL", "review")
    assert (finding.values["read"], finding.values["high"]) == (230, 215)


def test_a_job_with_a_write_ends_only_with_the_set_points_now_stored(bench: Bench) -> None:
    bench.write(bench.propose())
    with pytest.raises(Invalid) as refusal:
        bench.end(setpoints=None)
    assert refusal.value.errors[0].code == "required_after_write"
    assert bench.end().state == "ended"


def test_a_job_without_a_write_ends_without_them(bench: Bench) -> None:
    assert bench.end(setpoints=None).state == "ended"


def test_other_set_points_at_the_end_are_noticed(bench: Bench) -> None:
    bench.end(setpoints={**COUNTS, "RR": 140})
    assert "setpoints_changed_elsewhere" in bench.codes()


def test_set_points_changed_between_rounds_are_noticed_and_start_a_new_pool(bench: Bench) -> None:
    bench.measure({"FL": 470}, setpoints={**COUNTS, "FL": 125})
    finding = next(each for each in bench.case.findings if each.code == "setpoints_changed_elsewhere")
    assert (finding.values["expected"], finding.values["read"]) == (120, 125)
    assert len(bench.standing.course.pool) == 1


def test_set_points_changed_since_the_last_job_are_noticed(bench: Bench) -> None:
    bench.write(bench.propose())
    bench.measure()
    bench.sign_off()
    again = Bench.open(bench.site, bench.vehicle, setpoints=COUNTS)
    again.measure()
    assert "setpoints_changed_elsewhere" in again.codes()


def test_after_a_new_control_unit_other_set_points_are_no_surprise(bench: Bench) -> None:
    bench.event("control_unit_replaced")
    bench.measure(setpoints=dict.fromkeys(COUNTS, 100))
    assert "setpoints_changed_elsewhere" not in bench.codes()


def test_a_round_that_arrives_late_is_compared_with_what_was_stored_then(bench: Bench) -> None:
    before_the_write = bench.tick()
    bench.write(bench.propose())
    bench.measure({"FL": 470}, taken_at=before_the_write, setpoints=COUNTS)
    assert "setpoints_changed_elsewhere" not in bench.codes()
    assert bench.next_step == "settle_and_measure", "it was taken before the write and says nothing of what it did"


@pytest.mark.parametrize("verified_first", [True, False])
def test_two_read_backs_of_one_moment_conflict_whichever_arrives_first(site: Site, verified_first: bool) -> None:
    bench = Bench.open(site)
    bench.ready()
    bench.measure({"FL": 470})
    proposal = bench.propose()
    written_at = bench.tick()
    wanted = proposal.to_setpoints
    other = {**wanted, "RR": wanted["RR"] + 3}
    for read_back in (wanted, other) if verified_first else (other, wanted):
        bench.write(proposal, read_back, written_at=written_at)
    assert "writes_conflict" in bench.codes()


def test_trying_again_after_a_mismatch_is_no_conflict(site: Site) -> None:
    bench = Bench.open(site)
    bench.ready()
    bench.measure({"FL": 470})
    proposal = bench.propose()
    bench.write(proposal, {**proposal.to_setpoints, "RR": proposal.to_setpoints["RR"] + 3})
    bench.write(proposal)
    assert "writes_conflict" not in bench.codes()
