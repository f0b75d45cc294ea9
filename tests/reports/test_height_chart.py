"""The chart of a corner's heights: what is drawn where, what is left out, and what is said in words."""

from __future__ import annotations

from typing import Any
from xml.etree import ElementTree

import pytest
from reportlab.graphics.shapes import Circle, Group, Line, Polygon, PolyLine, Rect, String

from reports.drawing import palette
from reports.drawing.height_chart import (
    HEIGHT,
    WIDTH,
    HeightChart,
    HeightPoint,
    describe,
    draw_height_chart,
    shown_points,
    span_mm,
)
from reports.drawing.svg import to_svg


def point(job: int = 1, height_mm: float = 486.0, **fields: object) -> HeightPoint:
    values = {
        "expanded_uncertainty_mm": 2.0,
        "target_mm": 486.0,
        "tolerance_mm": 6.0,
        "verdict": "within",
        "setpoint": 128,
        **fields,
    }
    return HeightPoint(f"Job {job}", "6 Oct 2026", height_mm, **values)  # type: ignore[arg-type]


def drawn(*points: HeightPoint, unit: str = "mm") -> list[Any]:
    return list(_flat(draw_height_chart(HeightChart("Front left", points, unit))))  # type: ignore[arg-type]


def _flat(group: Group) -> list[Any]:
    found: list[Any] = []
    for each in group.contents:
        found += _flat(each) if isinstance(each, Group) else [each]
    return found


def marks(shapes: list[Any]) -> list[Any]:
    return [each for each in shapes if isinstance(each, Circle | Polygon)]


def bands(shapes: list[Any]) -> list[Rect]:
    return [each for each in shapes if isinstance(each, Rect)]


def words(shapes: list[Any]) -> list[str]:
    return [each.text for each in shapes if isinstance(each, String)]


def test_a_height_on_target_lies_in_the_middle_of_its_tolerance() -> None:
    shapes = drawn(point())
    (band,), (mark,) = bands(shapes), marks(shapes)
    assert mark.cy == pytest.approx(band.y + band.height / 2)
    assert band.x < mark.cx < band.x + band.width


def test_distances_are_to_scale() -> None:
    shapes = drawn(point(height_mm=486.0), point(height_mm=489.0))
    band = bands(shapes)[0]
    low, high = (mark.cy for mark in marks(shapes))
    assert (high - low) / band.height == pytest.approx(3.0 / 12.0)


def test_the_whisker_is_as_long_as_the_uncertainty() -> None:
    shapes = drawn(point(expanded_uncertainty_mm=3.0))
    (mark,), (band,) = marks(shapes), bands(shapes)
    uprights = [
        each for each in shapes if isinstance(each, Line) and each.x1 == each.x2 == mark.cx and each.y1 != each.y2
    ]
    assert [each.y2 - each.y1 for each in uprights] == [pytest.approx(band.height / 2)]


def test_side_by_side_equal_lengths_mean_equal_heights() -> None:
    flat, steep = HeightChart("Front left", (point(),)), HeightChart("Rear left", (point(height_mm=520.0),))
    span = span_mm([flat, steep])
    heights = [bands(list(_flat(draw_height_chart(chart, span=span))))[0].height for chart in (flat, steep)]
    assert heights[0] == pytest.approx(heights[1])
    assert bands(drawn(point()))[0].height > heights[0], "alone it fills its sheet"


def test_shapes_tell_verdicts_apart_without_colour() -> None:
    within, outside, undecided = marks(drawn(point(), point(verdict="outside"), point(verdict="undecided")))
    assert isinstance(outside, Polygon)
    assert within.fillColor == palette.BLUE
    assert undecided.fillColor == palette.WHITE


def test_set_points_are_labelled_where_they_change_and_step_within_a_job() -> None:
    shapes = drawn(point(setpoint=128), point(setpoint=128), point(setpoint=116), point(2, setpoint=116))
    assert [text for text in words(shapes) if text in {"128", "116"}] == ["128", "116"]
    lines = [each for each in shapes if isinstance(each, PolyLine)]
    assert len(lines) == 2, "one for each job"
    assert len(set(lines[0].points[1::2])) == 2


def test_jobs_stand_apart_each_with_its_number_and_day() -> None:
    shapes = drawn(point(1), point(1), point(2))
    assert [text for text in words(shapes) if text.startswith("Job")] == ["Job 1", "Job 2"]
    first, second, third = (mark.cx for mark in marks(shapes))
    assert third - second > second - first


def test_what_nothing_judged_has_neither_tolerance_nor_whisker() -> None:
    shapes = drawn(point(expanded_uncertainty_mm=None, target_mm=None, tolerance_mm=None, verdict=None, setpoint=None))
    assert bands(shapes) == []
    assert [each for each in shapes if isinstance(each, PolyLine)] == []
    assert len(marks(shapes)) == 1


def test_nothing_sticks_out_of_the_sheet() -> None:
    shapes = drawn(*(point(job, 470.0 + job, setpoint=-2_000_000_000 + job) for job in range(40)))
    for mark in marks(shapes):
        x = mark.cx if isinstance(mark, Circle) else mark.points[0]
        assert 0 < x < WIDTH
    for each in shapes:
        if isinstance(each, String):
            assert 0 <= each.y < HEIGHT


def test_the_newest_are_shown_in_whole_jobs() -> None:
    points = [point(job) for job in range(1, 31) for _round in range(3)]
    shown = shown_points(points)
    assert shown == tuple(points[-len(shown) :])
    assert len(shown) % 3 == 0
    assert 9 <= len(shown) < len(points)


def test_of_a_job_too_long_for_the_sheet_the_newest_rounds_are_shown() -> None:
    points = [point(height_mm=470.0 + number) for number in range(60)]
    shown = shown_points(points)
    assert shown == tuple(points[-len(shown) :])
    assert 15 <= len(shown) <= 30


def test_it_is_told_in_words() -> None:
    chart = HeightChart("Front left", (point(height_mm=497.5, verdict="outside"), point(height_mm=486.4, setpoint=116)))
    assert describe(chart) == (
        "2 measurements from 6 Oct 2026 to 6 Oct 2026. The first found 497.5 mm, the last 486.4 mm: within. "
        "The target is 486.0 ± 6.0 mm. Set-points: 128 → 116."
    )
    assert describe(HeightChart("Front left", (point(),), "inch")).startswith(
        "1 measurement, on 6 Oct 2026. It found 19.13 in"
    )
    assert describe(HeightChart("Front left", ())) == "Nothing was measured here yet."


def test_without_a_round_it_says_so() -> None:
    assert "Nothing was measured here yet." in words(drawn())


def test_the_scale_is_in_the_readers_unit() -> None:
    assert {"480", "484", "488"} & set(words(drawn(point())))
    inches = [text for text in words(drawn(point(), unit="inch")) if text.startswith(("18.", "19."))]
    assert inches


def test_a_flat_row_of_equal_heights_without_uncertainty_can_be_drawn() -> None:
    same = [point(expanded_uncertainty_mm=None, target_mm=None, tolerance_mm=None, verdict=None)] * 3
    assert len(marks(drawn(*same))) == 3


class TestAsSvg:
    @pytest.fixture
    def svg(self) -> ElementTree.Element:
        drawing = draw_height_chart(HeightChart("<b>", (point(),)))
        text = to_svg(drawing, title="<i>", description="words", id_prefix="chart")
        return ElementTree.fromstring(text)  # noqa: S314  (our own drawing)

    def test_colours_are_named_for_a_theme(self, svg: ElementTree.Element) -> None:
        classes = {name for each in svg.iter() for name in each.get("class", "").split()}
        assert {"fill-ink", "fill-soft-ink", "fill-tolerance", "fill-within", "stroke-rule", "stroke-ink"} <= classes
        painted = {each.get(part) for each in svg.iter() for part in ("fill", "stroke")} - {None, "none"}
        unnamed = [
            each.attrib
            for each in svg.iter()
            for part in ("fill", "stroke")
            if each.get(part, "none") != "none" and f"{part}-" not in each.get("class", "")
        ]
        assert painted
        assert unnamed == []

    def test_broken_lines_are_not_drawn_back_over_their_gaps(self, svg: ElementTree.Element) -> None:
        dashed = [each.get("d", "") for each in svg.iter() if each.get("stroke-dasharray")]
        assert len(dashed) == 1
        assert not dashed[0].rstrip().endswith("Z")

    def test_text_stays_text(self, svg: ElementTree.Element) -> None:
        ns = "{http://www.w3.org/2000/svg}"
        assert svg.findtext(f"{ns}title") == "<i>"
        assert svg.find(f".//{ns}b") is None


class TestHeightChecks:
    def test_are_framed_and_those_under_another_load_are_crosses(self) -> None:
        loads = drawn(point(), point(kind="check"), point(kind="other_load", verdict=None))
        rounds_only = drawn(point(), point(), point(verdict=None))

        assert len(marks(loads)) == 2
        assert len(frames(loads)) == 1
        assert len(crosses(loads)) == 2
        assert (frames(rounds_only), crosses(rounds_only)) == ([], [])

    def test_between_two_jobs_stand_together_with_their_first_and_last_day(self) -> None:
        checks = [
            HeightPoint("Checks", day, 486.0, 2.0, 486.0, 6.0, "within", kind="check") for day in ("7 Oct", "8 Nov")
        ]
        written = words(drawn(point(1), *checks, point(2)))

        assert written.count("Checks") == 1
        assert "7 Oct – 8 Nov" in written

    def test_are_told_of_in_words(self) -> None:
        chart = HeightChart("Front left", (point(), point(kind="check"), point(kind="other_load", verdict=None)))
        assert "2 of them are height checks outside a job." in describe(chart)
        assert "outside a job" not in describe(HeightChart("Front left", (point(), point())))


def frames(shapes: list[Any]) -> list[Rect]:
    return [each for each in shapes if isinstance(each, Rect) and each.fillColor is None]


def crosses(shapes: list[Any]) -> list[Line]:
    return [each for each in shapes if isinstance(each, Line) and each.x1 != each.x2 and each.y1 != each.y2]
