"""Life of an alert: opens once, is updated, and is resolved by what puts it right (design, section 8)."""

from __future__ import annotations

from typing import Any

import pytest

from calibration.metrology.alert_life import AlertChange, StandingAlert, alert_changes
from calibration.metrology.drift_alerts import AlertKind, Finding
from calibration.metrology.errors import MetrologyError


def finding(kind: AlertKind = "trend", vehicle: int = 1, place: str = "FL", level: float = 4.0) -> Finding:
    return Finding(kind, vehicle, place, {"level_mm": level})


def standing(
    kind: AlertKind = "trend", vehicle: int = 1, place: str = "FL", level: float = 4.0, opened: float = 100.0
) -> StandingAlert:
    return StandingAlert(kind, vehicle, place, opened, {"level_mm": level})


def test_a_finding_opens_an_alert_with_its_values() -> None:
    (change,) = alert_changes([], [finding()], {})
    assert (change.action, change.kind, change.vehicle, change.place, change.reason) == ("open", "trend", 1, "FL", "")
    assert change.values == {"level_mm": 4.0}


def test_found_again_it_is_updated_and_not_multiplied() -> None:
    (change,) = alert_changes([standing()], [finding(level=4.5)], {})
    assert (change.action, change.values) == ("update", {"level_mm": 4.5})


@pytest.mark.parametrize("level", [4.0, float("nan")])
def test_found_again_with_the_same_values_nothing_changes(level: float) -> None:
    assert alert_changes([standing(level=level)], [finding(level=level)], {}) == []


@pytest.mark.parametrize(("before", "now"), [(float("nan"), 4.0), (4.0, float("nan"))])
def test_a_figure_that_came_or_went_is_another_value(before: float, now: float) -> None:
    (change,) = alert_changes([standing(level=before)], [finding(level=now)], {})
    assert change.action == "update"
    assert change.values["level_mm"] == pytest.approx(now, nan_ok=True)


@pytest.mark.parametrize(
    "other", [finding(kind="step"), finding(vehicle=2), finding(place="FR")], ids=["kind", "vehicle", "corner"]
)
def test_another_kind_vehicle_or_corner_is_another_alert(other: Finding) -> None:
    assert [change.action for change in alert_changes([standing()], [finding(), other], {})] == ["open"]


def test_it_is_resolved_when_a_job_has_put_it_right_since_it_opened() -> None:
    (change,) = alert_changes([standing()], [], {1: 120.0})
    assert change == AlertChange("resolve", "trend", 1, "FL", {"level_mm": 4.0}, "put_right")
    assert alert_changes([standing()], [], {1: 100.0, 2: 150.0}) == []


def test_a_job_that_did_not_put_it_right_leaves_it_open() -> None:
    assert [change.action for change in alert_changes([standing()], [finding(level=5.0)], {1: 120.0})] == ["update"]


def test_a_quiet_measurement_alone_resolves_nothing() -> None:
    assert alert_changes([standing(), standing("step")], [], {}) == []


class TestOvertaken:
    """Of what is outside already nothing is forecast."""

    def told(self, *args: Any, **more: Any) -> list[tuple[str, str, str, str]]:
        return [(each.action, each.kind, each.place, each.reason) for each in alert_changes(*args, **more)]

    def test_a_trend_ends_where_its_corner_is_found_outside(self) -> None:
        assert self.told([standing(), standing(place="FR")], [finding("out_of_tolerance")], {}) == [
            ("open", "out_of_tolerance", "FL", ""),
            ("resolve", "trend", "FL", "overtaken"),
        ]

    def test_another_vehicles_or_another_kind_of_alert_does_not(self) -> None:
        others = [finding("out_of_tolerance", vehicle=2), finding("step"), finding("uneven", place="front")]
        assert ("resolve", "trend", "FL", "overtaken") not in self.told([standing()], others, {})

    def test_none_is_opened_while_the_corner_is_known_to_be_outside(self) -> None:
        """A later measurement may be quiet: the alert stays, and what was outside is forecast no more."""
        assert self.told([standing("out_of_tolerance", level=9.0)], [finding()], {}) == []

    def test_one_that_stood_beside_it_ends(self) -> None:
        both = [standing("out_of_tolerance", level=9.0), standing()]
        assert self.told(both, [finding(level=5.0)], {}) == [("resolve", "trend", "FL", "overtaken")]

    def test_once_it_is_put_right_a_new_trend_is_told_of(self) -> None:
        changes = self.told([standing("out_of_tolerance", level=9.0)], [finding()], {1: 120.0})
        assert changes == [("resolve", "out_of_tolerance", "FL", "put_right"), ("open", "trend", "FL", "")]


def test_a_check_resolves_overdue() -> None:
    (change,) = alert_changes([standing("overdue", place="")], [], {})
    assert (change.action, change.reason) == ("resolve", "checked")


def test_struck_records_take_back_what_rested_on_them() -> None:
    changes = alert_changes([standing(), standing(vehicle=2)], [], {}, revised={1})
    assert [(change.vehicle, change.reason) for change in changes] == [(1, "record_revised")]


def test_changes_come_by_vehicle_kind_and_place() -> None:
    found = [finding("out_of_tolerance", vehicle=2), finding("step"), finding(place="RR"), finding()]
    keys = [(change.vehicle, change.kind, change.place) for change in alert_changes([], found, {})]
    assert keys == [(1, "step", "FL"), (1, "trend", "FL"), (1, "trend", "RR"), (2, "out_of_tolerance", "FL")]


def test_two_of_one_place_and_kind_are_refused() -> None:
    with pytest.raises(MetrologyError, match="standing"):
        alert_changes([standing(), standing()], [], {})
    with pytest.raises(MetrologyError, match="findings"):
        alert_changes([], [finding(), finding()], {})
