"""Limit checks of proposals. Rules: the project's design (hard and soft limits), no published source."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from calibration.metrology.corners import CORNERS
from calibration.metrology.errors import MetrologyError
from calibration.metrology.limits import limits_exceeded
from calibration.metrology.planner import Changes, check_limits, permitted_range, reversion_changes
from calibration.metrology.response import Counts
from tests.metrology.builders import LINKED_REAR, REAR_ONLY, SPECIFICATION
from tests.metrology.test_planner import case_off_by


def outcomes(changes: Changes, kind: Any = "entered", **fields: Any) -> dict[str, str]:
    """Outcome by code, the worst where several corners are checked."""
    case = case_off_by((-12.0, 0, 0, 0), fields.pop("specification", SPECIFICATION), **fields)
    order = ("pass", "review", "refuse")
    found: dict[str, str] = {}
    for check in check_limits(case, changes, kind=kind):
        found[check.code] = max(found.get(check.code, "pass"), check.outcome, key=order.index)
    return found


def test_a_modest_change_of_a_freed_corner_passes_everything() -> None:
    assert set(outcomes((10, 0, 0, 0)).values()) == {"pass"}
    assert set(outcomes((10, 0, 0, 0))) == {
        "setpoint_range",
        "band",
        "step",
        "shift_review",
        "shift_limit",
        "not_significant",
        "away_from_target",
        "warp_change",
    }


@pytest.mark.parametrize(
    ("changes", "fields", "code", "outcome"),
    [
        ((20, 0, 0, 0), {}, "step", "pass"),
        ((21, 0, 0, 0), {}, "step", "refuse"),
        ((-21, 0, 0, 0), {}, "step", "refuse"),
        ((15, 0, 0, 0), {"setpoints": (200, 100, 100, 100)}, "band", "pass"),
        ((16, 0, 0, 0), {"setpoints": (200, 100, 100, 100)}, "band", "refuse"),
        ((-11, 0, 0, 0), {"setpoints": (50, 100, 100, 100)}, "band", "refuse"),
        ((15, 0, 0, 0), {"setpoints": (240, 100, 100, 100)}, "setpoint_range", "pass"),
        ((16, 0, 0, 0), {"setpoints": (240, 100, 100, 100)}, "setpoint_range", "refuse"),
        ((10, 0, 0, 0), {"baseline": (70, 100, 100, 100)}, "shift_review", "pass"),
        ((11, 0, 0, 0), {"baseline": (70, 100, 100, 100)}, "shift_review", "review"),
        ((10, 0, 0, 0), {"baseline": (50, 100, 100, 100)}, "shift_limit", "pass"),
        ((11, 0, 0, 0), {"baseline": (50, 100, 100, 100)}, "shift_limit", "refuse"),
        ((5, 0, 0, 0), {"freed": ("FL",)}, "not_significant", "pass"),
        ((5, 1, 0, 0), {"freed": ("FL",)}, "not_significant", "review"),
        ((5, 0, 0, 0), {"suspect": ("FL",)}, "suspect_corner", "refuse"),
        ((16, -16, -5, 5), {}, "warp_change", "pass"),
        ((16, -16, -6, 6), {}, "warp_change", "review"),
    ],
)
def test_each_limit_turns_where_it_says(changes: Changes, fields: dict[str, Any], code: str, outcome: str) -> None:
    assert outcomes(changes, **fields)[code] == outcome


def test_a_computed_plan_may_never_exceed_the_warp_change() -> None:
    assert outcomes((16, -16, -6, 6), kind="computed")["warp_change"] == "refuse"


def test_a_reversion_knows_only_range_and_step() -> None:
    far = {"baseline": (20, 100, 100, 100), "suspect": ("FL",), "freed": ()}
    assert outcomes((20, 0, 0, 0), kind="reversion", **far) == {"setpoint_range": "pass", "step": "pass"}
    assert outcomes((21, 0, 0, 0), kind="reversion", **far)["step"] == "refuse"
    beyond = {"setpoints": (250, 100, 100, 100)}
    assert outcomes((6, 0, 0, 0), kind="reversion", **beyond)["setpoint_range"] == "refuse"


def test_values_and_limits_are_those_a_text_needs() -> None:
    case = case_off_by((-12.0, 0, 0, 0), baseline=(70, 100, 100, 100), freed=("FR",))
    found = {check.code: check for check in check_limits(case, (11, 0, 0, 0), kind="entered")}
    assert (found["shift_review"].value, found["shift_review"].limit) == (41, 40)
    assert (found["band"].value, found["band"].limit) == (111, 40)
    assert found["not_significant"].value == pytest.approx(12.0)
    assert found["not_significant"].limit == pytest.approx(1.96 * (4 / 3 + 0.42) ** 0.5, abs=0.02)
    assert found["warp_change"].corner is None
    assert found["warp_change"].value == pytest.approx(0.9 * 11 / 2)


@pytest.mark.parametrize(
    ("off_by", "changes", "outcome"),
    [
        ((-12.0, 0, 0, 0), (5, 0, 0, 0), "pass"),
        ((-12.0, 0, 0, 0), (-1, 0, 0, 0), "review"),
        ((-5.0, 0, 0, 0), (12, 0, 0, 0), "review"),
        ((0, -12.0, 0, 0), (-4, 0, 0, 0), "pass"),
        ((0, -12.0, 0, 0), (4, 0, 0, 0), "review"),
    ],
    ids=["towards", "away", "beyond", "away, but evening out the sides", "away, and parting the sides"],
)
def test_a_freed_corner_entered_to_move_off_its_target_takes_approval(
    off_by: tuple[float, float, float, float], changes: Changes, outcome: str
) -> None:
    case = case_off_by(off_by)
    [found] = [each for each in check_limits(case, changes, kind="entered") if each.code == "away_from_target"]
    moved = CORNERS.index(found.corner or "FL")
    assert found.outcome == outcome
    assert found.limit == pytest.approx(abs(off_by[moved]))
    assert found.value == pytest.approx(abs(off_by[moved] + 0.9 * changes[moved]))
    assert "away_from_target" not in {each.code for each in check_limits(case, changes, kind="computed")}


def test_linked_corners_may_part_from_one_target_while_the_pair_comes_nearer() -> None:
    case = case_off_by((0, 0, -12.0, 1.0), LINKED_REAR)
    for change, outcome in ((4, "pass"), (-4, "review")):
        found = check_limits(case, (0, 0, change, change), kind="entered")
        assert {each.outcome for each in found if each.code == "away_from_target"} == {outcome}


def test_unmoved_corners_are_not_checked() -> None:
    case = case_off_by((-12.0, 0, 0, 0))
    assert {check.corner for check in check_limits(case, (5, 0, 0, 0), kind="entered")} == {"FL", None}


def test_what_is_no_proposal_is_an_error_that_names_the_corner() -> None:
    linked = case_off_by((0, 0, -12.0, -12.0), LINKED_REAR)
    check_limits(linked, (0, 0, 5, 5), kind="entered")
    with pytest.raises(MetrologyError, match=r"RL.*the same as at RR"):
        check_limits(linked, (0, 0, 5, 4), kind="entered")
    rear_only = case_off_by((0, 0, -12.0, 0), REAR_ONLY, setpoints=(None, None, 100, 100))
    check_limits(rear_only, (0, 0, 5, 0), kind="entered")
    with pytest.raises(MetrologyError, match=r"FL.*not controlled"):
        check_limits(rear_only, (5, 0, 0, 0), kind="entered")


def test_the_nearest_limit_names_each_end_of_a_range() -> None:
    case = case_off_by((0, 0, 0, 0), setpoints=(205, 100, 100, 100), baseline=(230, 100, 100, 100))
    found = permitted_range(case, "FL")
    assert (found.low, found.low_limit) == (-20, "step")
    assert (found.high, found.high_limit) == (10, "band")
    assert permitted_range(case, "FL", step_limited=False).low == 170 - 205


def test_reversion_comes_home_in_steps_and_stops_there() -> None:
    current: Counts = (145, 100, 60, None)
    home: Counts = (100, 100, 75, None)
    visited = []
    while any(changes := reversion_changes(REAR_ONLY, current, home)):
        a, b, c, d = (None if x is None else x + y for x, y in zip(current, changes, strict=True))
        current = (a, b, c, d)
        visited.append(current[0])
    assert visited == [125, 105, 100]
    assert current == home


def test_the_band_is_not_the_tolerance() -> None:
    """A wider band changes the check; a wider tolerance does not."""
    at = {"setpoints": (200, 100, 100, 100)}
    wider_band = replace(SPECIFICATION, front=replace(SPECIFICATION.front, setpoint_high=220))
    wider_tolerance = replace(SPECIFICATION, front=replace(SPECIFICATION.front, tolerance_mm=20.0))
    assert outcomes((16, 0, 0, 0), specification=wider_band, **at)["band"] == "pass"
    assert outcomes((16, 0, 0, 0), specification=wider_tolerance, **at)["band"] == "refuse"


BASELINE: Counts = (100, 100, 100, 100)


@pytest.mark.parametrize(
    ("before", "after", "beyond"),
    [
        (100, 120, set()),
        (100, 121, {"step"}),
        (100, 79, {"step"}),
        (150, 160, set()),
        (150, 161, {"shift_limit"}),
        (200, 216, {"band", "shift_limit"}),
        (50, 39, {"band", "shift_limit"}),
        (100, 256, {"setpoint_range", "band", "step", "shift_limit"}),
        (220, 220, set()),
    ],
)
def test_what_was_stored_goes_beyond_the_limits_that_refuse_the_same_proposal(
    before: int, after: int, beyond: set[str]
) -> None:
    found = limits_exceeded(SPECIFICATION, (before, 100, 100, 100), (after, 100, 100, 100), BASELINE)
    assert {check.code for check in found} == beyond
    assert {check.corner for check in found} <= {"FL"}
    case = case_off_by((-12.0, 0, 0, 0), setpoints=(before, 100, 100, 100), baseline=BASELINE)
    refused = [each for each in check_limits(case, (after - before, 0, 0, 0), kind="entered") if each.corner == "FL"]
    hard = {(each.code, each.value, each.limit) for each in refused if each.outcome == "refuse"}
    assert hard == {(each.code, each.value, each.limit) for each in found}


def test_where_nothing_was_known_or_is_controlled_no_limit_is_exceeded() -> None:
    beyond: Counts = (150, None, 200, 200)
    assert limits_exceeded(REAR_ONLY, (100, 100, None, 200), beyond, BASELINE) == ()
    [found] = limits_exceeded(SPECIFICATION, (100, None, None, 200), beyond, (None, None, None, None))
    assert (found.code, found.corner, found.value, found.limit) == ("step", "FL", 50, 20)


def test_every_check_but_that_of_the_warp_names_its_corner() -> None:
    case = case_off_by((-12.0, 0, 0, 0), suspect=("FL",))
    checks = check_limits(case, (5, 0, 0, 0), kind="entered")
    assert "suspect_corner" in {each.code for each in checks}
    assert {each.code for each in checks if each.corner != "FL"} == {"warp_change"}
