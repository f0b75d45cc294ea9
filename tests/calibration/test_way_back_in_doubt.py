"""A count as found that the next reading contradicts is no way back that is taken without another person's look."""

from __future__ import annotations

import pytest

from fleet.errors import Conflict
from tests.calibration.bench import COUNTS, Bench
from tests.factories import SPECIFICATION, Site

MOST = SPECIFICATION["shift_limit_counts"]
STEP = SPECIFICATION["step_max_counts"]
MISTYPED = {**COUNTS, "FL": COUNTS["FL"] + MOST + 1}
LAST_STEP = {**MISTYPED, "FL": COUNTS["FL"] + MOST}


@pytest.fixture
def bench(site: Site) -> Bench:
    bench = Bench.open(site)
    bench.ready()
    return bench


@pytest.fixture
def doubtful(bench: Bench) -> Bench:
    """The first round's count at FL was never seen again; a write at another corner came after that."""
    bench.measure(setpoints=MISTYPED)
    bench.measure()
    bench.write(None, {**COUNTS, "RR": COUNTS["RR"] + 1})
    return bench


def test_it_needs_approval_and_says_why(doubtful: Bench) -> None:
    proposal = doubtful.revert()
    assert proposal.outcome == "needs_approval"
    [check] = [each for each in proposal.content["limits"] if each["outcome"] == "review"]
    assert (check["code"], check["corner"], check["value"], check["limit"]) == ("found_in_doubt", "FL", MOST + 1, MOST)
    assert (doubtful.next_step, doubtful.reason) == ("get_approval", "proposal")


def test_once_approved_it_goes_all_the_way(doubtful: Bench) -> None:
    doubtful.revert()
    doubtful.decide("approve")
    for _ in range(-(-(MOST + 1) // STEP)):
        assert doubtful.next_step == "write"
        doubtful.write(doubtful.case.proposals[-1])
    assert doubtful.case.writes[-1].read_back == MISTYPED
    doubtful.measure()
    assert doubtful.case.job.state == "reverted"


def test_refused_it_is_over_until_it_is_asked_for_anew(doubtful: Bench) -> None:
    doubtful.revert()
    doubtful.decide("refuse")
    assert (doubtful.next_step, doubtful.reason) == ("inspect", "approval_refused")
    assert len(doubtful.case.proposals) == 1, "no other is put forward in its place"
    doubtful.measure()
    assert doubtful.standing.reversion is None
    assert doubtful.revert().outcome == "needs_approval"


def test_written_before_the_approval_it_carries_the_finding(doubtful: Bench) -> None:
    doubtful.write(doubtful.revert())
    assert "write_of_unapproved_proposal" in doubtful.codes()


def test_a_count_within_the_shift_limit_of_what_was_read_next_is_plainly_allowed(bench: Bench) -> None:
    bench.measure(setpoints=LAST_STEP)
    bench.measure()
    assert bench.revert().outcome == "allowed"


def test_a_count_that_was_read_again_is_in_no_doubt(bench: Bench) -> None:
    """The one between was the slip."""
    for setpoints in (COUNTS, MISTYPED, COUNTS):
        bench.measure(setpoints=setpoints)
    bench.write(None, {**COUNTS, "FL": COUNTS["FL"] + 5})
    assert bench.revert().outcome == "allowed"


def test_counts_that_the_unit_cannot_hold_raise_no_doubt(bench: Bench) -> None:
    bench.measure()
    bench.measure(setpoints={**COUNTS, "FL": SPECIFICATION["setpoint_max"] + 1})
    assert bench.revert().outcome == "allowed"


def test_what_was_written_since_raises_no_doubt(bench: Bench) -> None:
    bench.measure()
    bench.write(None, MISTYPED)
    bench.measure()
    assert bench.revert().outcome == "allowed"


def test_a_resumption_that_reads_other_counts_raises_it_too(bench: Bench) -> None:
    bench.measure(setpoints=MISTYPED)
    bench.pause()
    bench.resume(setpoints=COUNTS, nothing_changed=True)
    assert bench.revert().outcome == "needs_approval"


def test_a_corner_whose_sensor_was_replaced_goes_to_its_own_count_and_is_in_no_doubt(bench: Bench) -> None:
    bench.measure(setpoints=MISTYPED)
    bench.event("sensor_replaced", "FL")
    bench.measure()
    bench.write(None, {**COUNTS, "FL": COUNTS["FL"] + 5})
    assert bench.revert().outcome == "allowed"


class TestOfAnEarlierJob:
    @pytest.fixture
    def later(self, doubtful: Bench) -> Bench:
        doubtful.end()
        return Bench.open(
            doubtful.site,
            doubtful.vehicle,
            setpoints=doubtful.setpoints,
            hours_ago=3,
            reason="reversion",
            to_job=doubtful.job,
        )

    def test_it_needs_approval_there(self, later: Bench) -> None:
        later.measure()
        assert later.reason == "reversion_asked"
        assert later.propose().outcome == "needs_approval"
        assert later.next_step == "get_approval"

    def test_refused_it_is_not_asked_for_again_at_once(self, later: Bench) -> None:
        later.measure()
        later.propose()
        later.decide("refuse")
        assert (later.next_step, later.reason) == ("inspect", "approval_refused")
        with pytest.raises(Conflict):
            later.propose()

    def test_a_corner_worked_on_between_the_jobs_is_in_no_doubt(self, later: Bench) -> None:
        later.event("sensor_replaced", "FL")
        later.measure()
        later.write(None, {**COUNTS, "FL": COUNTS["FL"] + 5})
        assert later.revert().outcome == "allowed"

    def test_nor_is_one_that_was_read_after_work_in_between(self, doubtful: Bench) -> None:
        doubtful.end()
        doubtful.event("sensor_replaced", "FL")
        between = Bench.open(doubtful.site, doubtful.vehicle, hours_ago=4)
        between.measure(setpoints=MISTYPED)
        between.end(setpoints=MISTYPED)
        values = {"reason": "reversion", "to_job": doubtful.job}
        later = Bench.open(doubtful.site, doubtful.vehicle, setpoints=LAST_STEP, hours_ago=3, **values)
        later.measure()
        proposal = later.revert()
        assert (proposal.to_setpoints["FL"], proposal.outcome) == (MISTYPED["FL"], "allowed")
