"""The chart of a corner's drift, and what alerts say: what is drawn where, and which way a corner moves."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import Any

import pytest
from reportlab.graphics.shapes import Circle, Group, PolyLine, Rect, String

from calibration.rules.drift_course import EPOCH, day_of, time_of_day
from fleet.tenancy import in_workshop
from reports.alert_words import alert_sentence, expected_in_words
from reports.drawing.drift_chart import DriftChart, DriftPoint, ForecastPoint, draw_drift_chart
from reports.models import DriftAlert
from tests.factories import Site

TODAY = 9800.0


def drawn(points: list[float], forecast: tuple[ForecastPoint, ...] = (), tolerance_mm: float = 6.0) -> list[Any]:
    measured = tuple(
        DriftPoint(TODAY - 60.0 * (len(points) - 1 - place), off, 2.0, "within") for place, off in enumerate(points)
    )
    return _flat(draw_drift_chart(DriftChart("Front left", measured, forecast, tolerance_mm)))


def _flat(group: Group) -> list[Any]:
    found: list[Any] = []
    for each in group.contents:
        found += _flat(each) if isinstance(each, Group) else [each]
    return found


def marks(shapes: list[Any]) -> list[Circle]:
    return [each for each in shapes if isinstance(each, Circle)]


def test_a_height_on_target_lies_in_the_middle_of_its_tolerance() -> None:
    shapes = drawn([0.0, 3.0, -3.0])
    (band,) = (each for each in shapes if isinstance(each, Rect))
    on_target, above, below = marks(shapes)
    assert on_target.cy == pytest.approx(band.y + band.height / 2)
    assert above.cy - on_target.cy == pytest.approx(band.height / 4)
    assert below.cy < on_target.cy < above.cy


def test_time_goes_from_left_to_right_evenly() -> None:
    first, second, third = marks(drawn([0.0, 1.0, 2.0]))
    assert third.cx - second.cx == pytest.approx(second.cx - first.cx)
    assert second.cx > first.cx


def test_the_forecast_goes_on_from_the_last_measurement_between_two_lines() -> None:
    forecast = tuple(ForecastPoint(TODAY + 30.0 * step, -1.0 * step, 1.0 + step) for step in range(4))
    shapes = drawn([1.0, 0.5, 0.0], forecast)
    low, middle, high = (each for each in shapes if isinstance(each, PolyLine))
    assert middle.points[:2] == pytest.approx([marks(shapes)[-1].cx, marks(shapes)[-1].cy])
    assert middle.points[-1] < middle.points[1], "it sinks"
    assert all(a < b < c for a, b, c in zip(low.points[1::2], middle.points[1::2], high.points[1::2], strict=True))
    assert middle.strokeDashArray


def test_a_forecast_of_great_uncertainty_does_not_press_the_measurements_flat() -> None:
    wild = tuple(ForecastPoint(TODAY + step, 0.0, 500.0 * step) for step in range(4))
    (band,) = (each for each in drawn([0.0, 1.0], wild) if isinstance(each, Rect))
    assert band.height > 30.0


def test_old_measurements_are_left_out() -> None:
    assert len(marks(drawn([0.0] * 40))) == 19, "those of three years"


def test_days_are_written_below() -> None:
    words = [each.text for each in drawn([0.0, 1.0]) if isinstance(each, String)]
    assert "Front left, mm" in words
    assert sum("2026" in each for each in words) == 3


def test_days_and_times_are_each_others_inverse() -> None:
    assert time_of_day(0.0) == EPOCH
    assert day_of(time_of_day(TODAY + 0.25)) == TODAY + 0.25


@pytest.fixture
def workshop_in_utc(site: Site) -> Iterator[None]:
    """Days of alerts are those of a workshop."""
    with in_workshop(site.workshop.pk):
        yield


FIGURES = {
    "level_mm": -7.0,
    "last_mm": -9.0,
    "tolerance_mm": 6.0,
    "rate_mm_per_year": -5.0,
    "expected_outside_day": 9900.0,
    "earliest_outside_day": 9850.0,
    "latest_outside_day": None,
    "step_mm": 8.0,
    "step_day": 9790.0,
    "difference_mm": -9.0,
    "limit_mm": 8.0,
    "due_day": 9700.0,
    "measured_day": 9500.0,
}


@pytest.mark.usefixtures("workshop_in_utc")
@pytest.mark.parametrize(
    ("kind", "place", "says"),
    [
        ("out_of_tolerance", "FL", "Front left: 9.0 mm too low, the tolerance is 6.0 mm."),
        (
            "trend",
            "RR",
            "Rear right sinks by 5.0 mm a year. "
            "Expected outside its tolerance on 8 Feb 2027; hardly before 20 Dec 2026.",
        ),
        ("step", "FR", "Front right: rose by 8.0 mm at once, seen on 21 Oct 2026."),
        ("uneven", "rear", "Rear axle: left 9.0 mm lower than right, the limit is 8.0 mm."),
        ("overdue", "", "The height check was due on 23 Jul 2026; last measured on 4 Jan 2026."),
    ],
)
def test_each_kind_says_what_is_the_matter(kind: str, place: str, says: str) -> None:
    assert alert_sentence(kind, place, FIGURES) == says


@pytest.mark.usefixtures("workshop_in_utc")
def test_every_kind_has_its_sentence() -> None:
    for kind in DriftAlert.Kind.values:
        place = {"overdue": "", "uneven": "front"}.get(kind, "FL")
        assert alert_sentence(kind, place, FIGURES)


def test_of_a_height_that_a_write_overtook_the_level_is_told() -> None:
    assert "7.0 mm too low" in alert_sentence("out_of_tolerance", "FL", {**FIGURES, "last_mm": None})


@pytest.mark.usefixtures("workshop_in_utc")
def test_of_a_corner_that_may_be_outside_already_no_day_is_told() -> None:
    already = {**FIGURES, "measured_day": 9800.0, "expected_outside_day": 9800.007, "earliest_outside_day": 9800.007}
    told = alert_sentence("trend", "FL", already)
    assert told.endswith("a year. When last measured it was more likely outside its tolerance than within.")
    later = alert_sentence("trend", "FL", {**already, "expected_outside_day": 9801.1})
    assert "Expected outside its tolerance on" in later


def test_the_interval_is_told_with_the_date() -> None:
    told = expected_in_words(date(2027, 2, 8), date(2026, 12, 20), date(2027, 6, 1))
    assert told.endswith("in 8 of 10 cases between 20 Dec 2026 and 1 Jun 2027.")
    assert "twenty years" in expected_in_words(None, None, None)
