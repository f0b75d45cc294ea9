"""A small run of the table of marks, held against the limits as far as so few vehicles can tell.

The table itself, with intervals: `python -m tests.simulator.all_marks`.
"""

from __future__ import annotations

import pytest

from calibration.metrology import decision
from tests.simulator.job_marks import ORDINARY_NAMES, SCENARIOS, Outcome, marks_of, simulate

VEHICLES = 40
SEED = 31


@pytest.fixture(scope="module")
def outcomes() -> list[Outcome]:
    return [outcome for scenario in SCENARIOS for outcome in simulate("estate", scenario, VEHICLES, SEED)]


def test_no_mark_is_shown_to_be_missed(outcomes: list[Outcome]) -> None:
    assert not [mark.line() for mark in marks_of(outcomes) if mark.shown_missed]


def test_every_ordinary_job_that_ends_without_a_manager_ends_signed_off(outcomes: list[Outcome]) -> None:
    ends = {o.ended for o in outcomes if o.scenario in ORDINARY_NAMES}
    assert ends <= {"sign_off", "get_approval", "inspect"}


def test_signing_off_after_one_round_without_waiting_would_be_noticed(
    outcomes: list[Outcome], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Negative control: with no second and third round the table shows more writes."""
    monkeypatch.setattr(decision, "MAX_POOLED_ROUNDS", 1)
    hasty = [outcome for scenario in SCENARIOS[:4] for outcome in simulate("estate", scenario, VEHICLES, SEED)]
    patient = [o for o in outcomes if o.scenario in {s.name for s in SCENARIOS[:4]}]
    assert sum(o.writes for o in hasty) > sum(o.writes for o in patient)
