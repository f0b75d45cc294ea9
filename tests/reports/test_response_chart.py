"""The chart of an axle's responses: what is drawn where, and what is said in words."""

from __future__ import annotations

from typing import Any

import pytest
from reportlab.graphics.shapes import Circle, Group, Line, Rect, String

from reports.drawing import palette
from reports.drawing.response_chart import (
    HEIGHT,
    MOST_SHOWN,
    WIDTH,
    ResponseChart,
    ResponsePoint,
    describe,
    draw_response_chart,
)


def chart(*points: ResponsePoint, **fields: Any) -> ResponseChart:
    values = {
        "title": "Front",
        "specified_mean": 0.9,
        "specified_sd": 0.15,
        "learned_mean": 0.7,
        "learned_sd": 0.1,
        "vehicles": len(points),
        "points": points,
        **fields,
    }
    return ResponseChart(**values)


def point(estimate: float = 0.7, half: float = 0.05) -> ResponsePoint:
    return ResponsePoint("LB 1", estimate, estimate - half, estimate + half)


def drawn(of: ResponseChart) -> list[Any]:
    return list(_flat(draw_response_chart(of)))


def _flat(group: Group) -> list[Any]:
    found: list[Any] = []
    for each in group.contents:
        found += _flat(each) if isinstance(each, Group) else [each]
    return found


def rings(of: ResponseChart) -> list[Circle]:
    return [each for each in drawn(of) if isinstance(each, Circle)]


def learned_lines(of: ResponseChart) -> list[Line]:
    return [each for each in drawn(of) if isinstance(each, Line) and each.strokeColor == palette.BLUE]


def test_the_specification_is_a_band_about_its_broken_line() -> None:
    shapes = drawn(chart(point()))
    (band,) = [each for each in shapes if isinstance(each, Rect)]
    (line,) = [each for each in shapes if isinstance(each, Line) and each.strokeDashArray]
    assert line.y1 == pytest.approx(band.y + band.height / 2)


def test_a_vehicle_stands_on_the_learned_mean_where_it_answers_so() -> None:
    (line,) = learned_lines(chart(point(0.7)))
    (ring,) = rings(chart(point(0.7)))
    assert ring.cy == pytest.approx(line.y1)
    higher, _ = rings(chart(point(1.0), point(0.7)))
    assert higher.cy > ring.cy


def test_without_vehicles_no_learned_mean_is_drawn() -> None:
    assert learned_lines(chart(learned_mean=0.9)) == []


def test_a_vehicle_that_says_little_does_not_flatten_the_others() -> None:
    """Its whisker ends at the edge of the scale."""
    wide, near = chart(point(0.7), point(0.75, half=30.0)), chart(point(0.7), point(0.75, half=0.5))
    (band,) = [each for each in drawn(wide) if isinstance(each, Rect)]
    assert band.height > 30
    assert rings(near)[1].cy > rings(near)[0].cy


def test_everything_lies_on_the_sheet() -> None:
    steep = chart(*[point(2.0 + 0.1 * n, 0.3) for n in range(40)], specified_mean=2.1, specified_sd=0.35)
    for shape in drawn(steep):
        left, low, right, high = shape.getBounds()
        assert left >= -1
        assert low >= -1
        assert right <= WIDTH + 1
        assert high <= HEIGHT + 1


def test_no_more_vehicles_are_drawn_than_there_is_room_for() -> None:
    many = chart(*[point(0.7 + 0.002 * n) for n in range(60)])
    assert len(rings(many)) == MOST_SHOWN
    numbers = [each.text for each in drawn(many) if isinstance(each, String) and each.text.isdigit()]
    assert numbers == [str(n + 1) for n in range(MOST_SHOWN)]


def test_a_negative_response_is_drawn_with_its_sign() -> None:
    falling = chart(point(-0.7), specified_mean=-0.75, specified_sd=0.12, learned_mean=-0.72)
    figures = [each.text for each in drawn(falling) if isinstance(each, String)]
    assert any(figure.startswith("\N{MINUS SIGN}0") for figure in figures)
    assert "−0.75 mm per count" in describe(falling)


def test_the_words_say_how_many_vehicles_taught_it() -> None:
    assert "no vehicle has taught it" in describe(chart())
    assert "with 1 vehicle the mean is 0.70" in describe(chart(point()))
    assert "with 14 vehicles" in describe(chart(point(), vehicles=14))
