"""A small run of the table of marks: bounds wide enough for its sample, tight enough to notice a broken rule.

The table itself, with intervals: `python -m tests.simulator.marks`.
"""

from __future__ import annotations

import pytest

from calibration.metrology import decision
from tests.simulator.marks import ORDINARY_NAMES, SCENARIOS, Mark, Outcome, marks_of, simulate

VEHICLES = 40
SEED = 31


@pytest.fixture(scope="module")
def outcomes() -> list[Outcome]:
    return [outcome for scenario in SCENARIOS for outcome in simulate("estate", scenario, VEHICLES, SEED)]


def mark(outcomes: list[Outcome], name: str) -> Mark:
    return next(found for found in marks_of(outcomes) if found.name == name)


@pytest.mark.parametrize(
    ("name", "bound"),
    [
        ("writes / hand method's writes", 0.40),
        ("ordinary stopped for inspection", 0.03),
        ("endless jobs", 0.0),
        ("rounds a job", 3.5),
        ("readings a job", 32.0),
    ],
)
def test_at_most(outcomes: list[Outcome], name: str, bound: float) -> None:
    assert mark(outcomes, name).value <= bound


@pytest.mark.parametrize(
    ("name", "bound"),
    [
        ("signed off with at most one write", 0.5),
        ("arrived true, left untouched", 0.92),
        ("truly within at sign-off", 0.98),
        ("dead or reversed named after first write", 0.93),
        ("ordinary finished without a manager", 0.97),
    ],
)
def test_at_least(outcomes: list[Outcome], name: str, bound: float) -> None:
    assert mark(outcomes, name).value >= bound


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
