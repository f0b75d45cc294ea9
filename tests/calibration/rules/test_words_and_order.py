"""Rules that need no database: every code has words, facts stand in the order in which they can have happened."""

from __future__ import annotations

import re
import uuid
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, get_args

import pytest

from calibration.metrology.decision import DecisionReason, Step
from calibration.metrology.planning_case import LimitCode, ReasonCode
from calibration.metrology.readings import HeightUnit
from calibration.metrology.specification import AxleSpecification, Specification
from calibration.rules import next_step, proposal_texts, texts
from calibration.rules.arrivals import clock_is_wrong, of_arrival, place_of
from calibration.rules.cautions import ALTERED_HEIGHT, cautions_for
from calibration.rules.course import Break, complete, walk, way_back
from calibration.rules.finding_kinds import NOTES, REVIEWS, SEVERITIES, STOPS, Arrival, NewFinding
from calibration.rules.leaks import LeakReason
from calibration.rules.limit_texts import LIMITS, limit_text
from calibration.rules.readiness import ITEMS, is_ready, merged
from calibration.rules.record import CLOSED_STATES, EventHappened, JobRecord, Paused, Resumed, WriteDone
from calibration.rules.sightings import last_known_setpoints, sighting_of_round
from calibration.rules.standing import Standing
from calibration.services.proposals import OBSTACLES

OPENED = datetime(2026, 3, 2, 9, 30, 40, tzinfo=UTC)
COUNTS = {"FL": 100, "FR": 100, "RL": 100, "RR": 100}
AXLE = AxleSpecification(486, 6, 40, 215, 0.9, 0.15)
VAN = Specification(AXLE, AXLE, 2885, 1605, 1613, 0, 255, 8, 20, 40, 60, 1.5, linked_corners=(("RL", "RR"),))


def record(*facts: Any, **fields: Any) -> JobRecord:
    values: dict[str, Any] = {
        "id": uuid.uuid4(),
        "opened_at": OPENED,
        "opened_by": uuid.uuid4(),
        "closed_at": None,
        "state": "open",
        "specification": VAN,
        "specification_id": uuid.uuid4(),
        "readiness_not_applicable": frozenset(),
        "pad_levels_mm": None,
        "facts": facts,
        "findings": (),
        "baseline": {},
    }
    return JobRecord(**values | fields)


def common(minutes: float) -> tuple[uuid.UUID, datetime, datetime, None]:
    at = OPENED + timedelta(minutes=minutes)
    return uuid.uuid4(), at, at, None


def write(minutes: float, counts: dict[str, int]) -> WriteDone:
    return WriteDone(*common(minutes), None, counts, True, OPENED)  # type: ignore[arg-type]


def event(minutes: float, kind: str) -> EventHappened:
    return EventHappened(*common(minutes), kind, None)


@pytest.mark.parametrize(
    ("minutes", "is_wrong", "counts_as"),
    [
        (5, False, 5),
        (60, False, 60),
        (64, False, 60),
        (66, True, 60),
        (-0.5, False, -0.5),
        (-2, False, -2),
        (-7, True, 60),
        (-600_000, True, 60),
    ],
)
def test_a_time_that_cannot_be_right_gives_way_to_the_arrival(minutes: float, is_wrong: bool, counts_as: float) -> None:
    """Received an hour after the opening; clocks may differ by five minutes."""
    now = OPENED + timedelta(hours=1)
    arrival = Arrival("round", uuid.uuid4(), OPENED + timedelta(minutes=minutes), now)
    assert clock_is_wrong(record(), arrival) is is_wrong
    seen = sighting_of_round(arrival.noted_at, COUNTS)  # type: ignore[arg-type]
    assert place_of(record(), arrival, seen).at == OPENED + timedelta(minutes=counts_as)
    assert [each.code for each in of_arrival(record(), arrival)] == ["clock_wrong"] * is_wrong


def test_what_a_fact_should_have_read_is_what_was_known_at_its_time() -> None:
    later = {**COUNTS, "FL": 110}
    job = record(write(10, later), event(20, "control_unit_replaced"), previous_setpoints=COUNTS)
    for minutes, known in ((5, COUNTS), (15, later), (25, None)):
        assert last_known_setpoints(job, OPENED + timedelta(minutes=minutes)) == known


def test_a_unit_replaced_before_the_job_opened_was_known_of_already() -> None:
    job = record(event(-30, "control_unit_replaced"), event(5, "other"), previous_setpoints=COUNTS)
    assert last_known_setpoints(job, OPENED + timedelta(minutes=9)) == COUNTS


@pytest.mark.parametrize(
    ("counts", "is_complete"),
    [
        (COUNTS, True),
        ({**COUNTS, "RR": 101}, False),
        ({"FL": 1, "FR": 1, "RL": 1}, False),
        ({**COUNTS, "XX": 1}, False),
    ],
)
def test_set_points_are_complete_with_every_controlled_corner_and_one_count_for_linked_ones(
    counts: dict[str, int], is_complete: bool
) -> None:
    assert complete(counts, VAN) is is_complete  # type: ignore[arg-type]


def test_there_is_no_way_back_before_anything_was_read() -> None:
    job = record(write(1, COUNTS))
    assert way_back(job, walk(job)) is None


@pytest.mark.parametrize(("nothing_changed", "counts"), [(False, COUNTS), (True, {**COUNTS, "FL": 101})])
def test_a_resumption_after_changes_interrupts_the_job(nothing_changed: bool, counts: dict[str, int]) -> None:
    resumed = Resumed(*common(9), counts, nothing_changed)  # type: ignore[arg-type]
    course = walk(record(write(1, COUNTS), Paused(*common(5)), resumed))
    assert course.interruptions == {resumed.id}
    assert course.last_break == "resumption"
    assert course.as_left is None


def test_readiness_counts_what_the_specification_lists_as_not_applicable() -> None:
    outcomes = dict.fromkeys(ITEMS, "pass") | {"reservoir": "not_applicable"}
    assert not is_ready(merged(record(), outcomes))
    assert is_ready(merged(record(readiness_not_applicable=frozenset({"reservoir"})), outcomes))
    assert not is_ready(merged(record(), {}))


def test_every_finding_is_a_note_a_review_or_a_stop() -> None:
    assert {NewFinding(code, code).severity for code in NOTES} == {"note"}
    assert {NewFinding(code, code).severity for code in REVIEWS} == {"review"}
    assert {NewFinding(code, code).severity for code in STOPS} == {"stop"}
    assert not NOTES & REVIEWS | REVIEWS & STOPS | STOPS & NOTES


def written_reasons() -> set[str]:
    """Every reason that a next step can have: written in the rules, decided by the measurements, or made of a code."""
    source = Path(next_step.__file__).read_text()
    written = set(re.findall(r'NextStep\([^,]+, "(\w+)"', source)) | set(re.findall(r'reason = "(\w+)"', source))
    made = {f"after_{each}" for each in get_args(Break)} - {"after_write"}
    lapsed = {"readiness_missing", "readiness_lapsed_by_event", "readiness_lapsed_by_resumption"}
    return (
        written
        | made
        | lapsed
        | set(get_args(DecisionReason))
        | STOPS
        | set(get_args(LeakReason))
        | {*CLOSED_STATES, "write_not_verified", "reversion"}
    )


def all_words() -> dict[str, str]:
    """Every code of the rules with its words, by a name that says what kind of code it is."""
    return {
        **{f"finding {code}": texts.finding_detail(code, "FL", {}) for code in SEVERITIES},
        **{f"reason {code}": texts.reason_text(code) for code in written_reasons()},
        **{f"inspection {code}": texts.step_text("inspect", code) for code in written_reasons()},
        **{f"step {code}": texts.step_text(code) for code in (*get_args(Step), "check_readiness", "measure", "write")},
        **{f"corner {code}": proposal_texts.corner_reason_text(code, {}) for code in get_args(ReasonCode)},
        **{f"limit {code}": limit_text(code, 1.0, 2.0) for code in get_args(LimitCode)},
        **{f"item {code}": str(texts.READINESS_ITEMS[code]) for code in ITEMS},
        **{f"obstacle {code}": str(text) for code, text in OBSTACLES.items()},
    }


def test_every_code_has_words_and_none_shows_as_a_word() -> None:
    words = all_words()
    assert len(words) > 120
    for name, text in words.items():
        assert " " in text, name
        assert "_" not in text, name
        assert "%(" not in text, name


def test_no_reason_is_written_that_the_rules_never_give() -> None:
    assert written_reasons() == set(texts.REASONS)
    assert set(texts.INSPECTIONS) < set(texts.REASONS)
    assert set(SEVERITIES) == set(texts.FINDINGS)
    assert set(proposal_texts.CORNER_REASONS) == set(get_args(ReasonCode))
    assert set(LIMITS) == set(get_args(LimitCode))
    assert set(texts.UNIT_SLIPS) == set(get_args(HeightUnit))


def test_a_limit_that_can_refuse_says_what_to_do() -> None:
    only_reviewed = {"shift_review", "not_significant", "away_from_target", "found_in_doubt"}
    assert set(texts.LIMIT_ADVICE) == set(get_args(LimitCode)) - only_reviewed


def test_a_code_that_no_table_knows_is_raised_by_nobody() -> None:
    """Each finding that the sources raise is one of the three tables."""
    sources = "".join(path.read_text() for path in Path(next_step.__file__).parent.parent.rglob("*.py"))
    raised = set(re.findall(r'(?:\.finding|NewFinding)\(\s*"(\w+)"', sources))
    assert len(raised) > 10
    assert raised <= set(SEVERITIES)


def test_a_finding_with_a_value_missing_still_has_a_sentence() -> None:
    assert "–" in texts.finding_detail("setpoint_out_of_range", "FL", {})
    assert "of_a_later_version" not in texts.finding_detail("of_a_later_version", "FL", {})
    assert texts.finding_detail("setpoints_incomplete", None, {"corners": ["FL", "RR"]}).count("FL, RR") == 1


@pytest.mark.parametrize(("step", "is_shown"), [("write", True), ("sign_off", True), ("measure", False)])
def test_other_heights_than_the_specifications_are_cautioned_where_they_matter(step: str, is_shown: bool) -> None:
    assert (ALTERED_HEIGHT in cautions_for(step, targets_differ=True)) is is_shown
    assert ALTERED_HEIGHT not in cautions_for(step)


def test_an_empty_job_stands_at_readiness_and_without_a_specification_at_inspection() -> None:
    assert Standing(record()).next_step.step == "check_readiness"
    assert Standing(record(specification=None)).next_step.reason == "no_specification"
    assert Standing(record(state="ended")).next_step.step == "done"
