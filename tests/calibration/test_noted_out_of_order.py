"""A time noted for a round or write holds only where the set-points agree; else the record counts from its arrival."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from calibration.models import Finding, Round, Write
from calibration.selectors.vehicle_setpoints import baseline_of
from tests.calibration.bench import COUNTS, Bench
from tests.factories import Site

LOW = dict.fromkeys(("FL", "FR"), 478)
RAISED = {**COUNTS, "FL": 124, "FR": 124}


@pytest.fixture
def bench(site: Site) -> Bench:
    bench = Bench.open(site)
    bench.ready()
    return bench


def minutes(number: float) -> timedelta:
    return timedelta(minutes=number)


def told(bench: Bench) -> list[Finding]:
    return [each for each in bench.case.findings if each.code == "noted_out_of_order"]


def pool(bench: Bench) -> list[Any]:
    return [each.id for each in bench.standing.course.pool]


def baseline(bench: Bench) -> Any:
    return baseline_of(bench.vehicle.pk, 0, 255)


def test_heights_measured_before_a_write_are_not_signed_off_whatever_time_is_noted_for_it(bench: Bench) -> None:
    bench.measure(LOW)
    bench.measure()
    bench.write(bench.enter(FL=124, FR=124), written_at=bench.now - minutes(2))
    assert pool(bench) == []
    assert bench.next_step == "settle_and_measure"
    assert [each.severity for each in told(bench)] == ["note"]
    bench.measure()
    assert len(pool(bench)) == 1
    assert bench.standing.course.stored == bench.setpoints


def test_a_write_without_a_proposal_ends_what_was_measured_before_it_too(bench: Bench) -> None:
    bench.measure()
    bench.write(None, RAISED, written_at=bench.now - minutes(1.5))
    assert pool(bench) == []
    assert bench.standing.course.stored == RAISED


def test_a_write_that_a_later_round_agrees_with_keeps_its_noted_place(bench: Bench) -> None:
    bench.measure(LOW)
    proposal = bench.enter(FL=124, FR=124)
    noted = bench.now
    bench.setpoints = dict(RAISED)
    after = bench.measure(taken_at=noted + minutes(1))
    bench.write(proposal, written_at=noted + minutes(0.5))
    assert pool(bench) == [after.pk]
    assert told(bench) == []


def test_a_round_noted_before_the_write_whose_counts_it_shows_counts_after_it(bench: Bench) -> None:
    bench.measure(LOW)
    before = bench.now
    bench.write(bench.enter(FL=124, FR=124))
    measured = bench.measure(taken_at=before + minutes(0.5))
    assert pool(bench) == [measured.pk]
    assert len(told(bench)) == 1


def test_a_late_round_whose_counts_agree_is_what_the_vehicle_was_found_like(bench: Bench) -> None:
    early = bench.now + minutes(0.1)
    bench.measure(LOW)
    bench.write(bench.enter(FL=124, FR=124))
    late = bench.measure({"FL": 477}, taken_at=early, setpoints=COUNTS)
    assert bench.standing.course.as_found is not None
    assert bench.standing.course.as_found.id == late.pk
    assert told(bench) == []


def test_a_late_round_with_other_counts_moves_neither_baseline_nor_way_back(bench: Bench) -> None:
    early = bench.now + minutes(0.1)
    first = bench.measure()
    bench.measure(taken_at=early, setpoints={**COUNTS, "FL": 170})
    assert baseline(bench) == COUNTS
    assert bench.standing.course.as_found is not None
    assert bench.standing.course.as_found.id == first.pk
    assert {"noted_out_of_order", "setpoints_changed_elsewhere"} <= set(bench.codes())


def test_a_round_may_show_what_stood_before_others_changed_it(bench: Bench) -> None:
    bench.measure()
    between = bench.now + minutes(0.5)
    bench.measure(setpoints=RAISED)
    late = bench.measure(taken_at=between, setpoints=COUNTS)
    assert told(bench) == []
    assert Round.objects.get(pk=late.pk).happened_at == between


def test_where_the_unit_was_replaced_in_between_other_counts_are_no_contradiction(bench: Bench) -> None:
    early = bench.now + minutes(0.1)
    bench.tick()
    bench.event("control_unit_replaced")
    bench.measure(setpoints=RAISED)
    late = bench.measure(taken_at=early, setpoints=COUNTS)
    assert told(bench) == []
    assert Round.objects.get(pk=late.pk).happened_at == early


def test_the_records_of_a_clock_that_lags_follow_each_other(bench: Bench) -> None:
    """The second tablet's clock is four minutes behind the first one's, with which the vehicle was found."""
    bench.measure(LOW)
    bench.tick()
    for counts in (RAISED, {**RAISED, "FL": 126}):
        proposal = bench.enter(**{corner: counts[corner] for corner in ("FL", "FR")})
        bench.write(proposal, written_at=bench.now - minutes(4))
        assert pool(bench) == []
        measured = bench.measure(taken_at=bench.now - minutes(4))
        assert pool(bench) == [measured.pk]
        assert bench.standing.course.stored == counts
    assert [each.proposal_id for each in bench.standing.course.writes] == [each.pk for each in bench.case.proposals]
    assert "setpoints_changed_elsewhere" not in bench.codes()


def test_work_noted_for_the_last_minutes_before_the_job_counts_from_when_it_was_recorded(bench: Bench) -> None:
    """The clock that it was noted by may be behind: heights measured before it was recorded say nothing."""
    bench.measure()
    bench.event("sensor_replaced", "FL", happened_at=bench.job.opened_at - minutes(4))
    assert pool(bench) == []
    assert bench.next_step == "check_readiness"


def test_work_done_well_before_the_job_says_nothing_against_its_rounds(bench: Bench) -> None:
    measured = bench.measure()
    bench.event("sensor_replaced", "FL", happened_at=bench.job.opened_at - minutes(6))
    assert pool(bench) == [measured.pk]


# --- among writes: what a record started from and what it left must both go with its place ---------------
def moved(bench: Bench, row: Round | Write) -> bool:
    """Whether a record counts from its arrival, and says so."""
    told = any(each.code == "noted_out_of_order" and each.source_id == row.pk for each in bench.case.findings)
    assert told == (row.happened_at == row.recorded_at)
    return told


def test_a_write_back_to_the_counts_before_an_earlier_write_does_not_slip_in_before_that_one(bench: Bench) -> None:
    bench.measure(LOW)
    before_the_first_write = bench.now + minutes(0.5)
    bench.write(bench.enter(FL=124, FR=124))
    bench.measure()
    back = bench.write(bench.enter(FL=COUNTS["FL"], FR=COUNTS["FR"]), written_at=before_the_first_write)
    assert moved(bench, back)
    assert pool(bench) == []
    assert bench.standing.course.stored == COUNTS


@pytest.mark.parametrize(("counts", "is_moved"), [(COUNTS, True), (RAISED, False)])
def test_nor_does_one_without_a_proposal_unless_what_it_left_is_still_there(
    bench: Bench, counts: dict[str, int], is_moved: bool
) -> None:
    bench.measure(LOW)
    before = bench.now + minutes(0.5)
    bench.write(bench.enter(FL=124, FR=124))
    after = bench.now + minutes(0.5)
    bench.measure()
    back = bench.write(None, counts, written_at=before if is_moved else after)
    assert moved(bench, back) is is_moved
    assert bench.standing.course.stored == counts


def test_a_write_does_not_slip_in_before_one_without_a_proposal_that_it_started_from(bench: Bench) -> None:
    bench.measure(LOW)
    early = bench.now + minutes(0.5)
    bench.write(None, {**COUNTS, "RL": 119})
    bench.measure(LOW)
    written = bench.write(bench.enter(FL=124, FR=124), written_at=early)
    assert moved(bench, written)
    assert pool(bench) == []
    assert bench.standing.course.stored == {**RAISED, "RL": 119}


def test_of_two_writes_without_a_proposal_the_one_that_arrives_later_is_measured_after(bench: Bench) -> None:
    bench.measure(LOW)
    early = bench.now + minutes(0.5)
    bench.write(None, {**COUNTS, "RL": 119})
    bench.measure()
    written = bench.write(None, RAISED, written_at=early)
    assert moved(bench, written)
    assert pool(bench) == []


def test_before_a_write_that_says_not_what_it_found_a_first_round_may_show_anything(bench: Bench) -> None:
    early = bench.now + minutes(0.5)
    bench.write(None, RAISED)
    late = bench.measure(LOW, taken_at=early, setpoints=COUNTS)
    assert not moved(bench, late)
    assert bench.next_step == "settle_and_measure"
    assert bench.standing.course.stored == RAISED


def test_a_set_point_that_was_not_read_contradicts_nothing(bench: Bench) -> None:
    early = bench.now + minutes(0.5)
    bench.measure(setpoints={corner: COUNTS[corner] for corner in ("FL", "FR", "RL")})
    late = bench.measure(LOW, taken_at=early, setpoints=COUNTS)
    assert not moved(bench, late)


def test_a_try_that_failed_keeps_its_place_before_the_one_that_succeeded(bench: Bench) -> None:
    bench.measure(LOW)
    proposal = bench.enter(FL=124, FR=124)
    early = bench.now + minutes(0.5)
    bench.write(proposal)
    bench.measure()
    failed = bench.write(proposal, {**RAISED, "FR": COUNTS["FR"]}, written_at=early)
    bench.setpoints = dict(RAISED)
    assert not moved(bench, failed)
    assert bench.standing.course.stored == RAISED
    assert len(pool(bench)) == 1


def test_the_same_write_noted_a_little_later_changes_nothing_and_keeps_its_place(bench: Bench) -> None:
    bench.measure(LOW)
    proposal = bench.enter(FL=124, FR=124)
    bench.write(proposal)
    later = bench.now + minutes(0.5)
    bench.measure()
    assert not moved(bench, bench.write(proposal, written_at=later))
    assert len(pool(bench)) == 1


def test_a_late_write_that_the_end_did_not_find_counts_from_its_arrival(bench: Bench) -> None:
    bench.measure(LOW)
    proposal = bench.enter(FL=124, FR=124)
    early = bench.now + minutes(0.5)
    bench.end(setpoints=COUNTS)
    assert moved(bench, bench.write(proposal, written_at=early))


def test_a_late_write_that_the_end_found_keeps_its_place(bench: Bench) -> None:
    bench.measure(LOW)
    proposal = bench.enter(FL=124, FR=124)
    early = bench.now + minutes(0.5)
    bench.end(setpoints=RAISED)
    assert not moved(bench, bench.write(proposal, written_at=early))


def test_a_late_write_after_the_sign_off_leaves_no_heights_of_after_it(bench: Bench) -> None:
    bench.measure()
    early = bench.now + minutes(0.5)
    bench.measure()
    bench.sign_off()
    late = bench.write(None, RAISED, written_at=early)
    assert moved(bench, late)
    assert "recorded_after_close" in bench.codes()
    assert pool(bench) == []
