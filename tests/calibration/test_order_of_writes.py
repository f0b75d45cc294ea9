"""Where a record may stand among writes: what it started from and what it left must both go with its place."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from calibration.models import Round, Write
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


def pool(bench: Bench) -> list[Any]:
    return [each.id for each in bench.standing.course.pool]


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
