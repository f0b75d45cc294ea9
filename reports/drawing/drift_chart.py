"""One corner's deviation from target over time: what was measured, and how it is expected to go on."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, tzinfo
from typing import Any, Final

from reportlab.graphics.shapes import Drawing, Group, Line, PolyLine, Rect, String

from calibration.rules.drift_course import time_of_day
from fleet.looks.dates import day as day_in_words
from fleet.looks.lengths import LengthUnit, length

from . import palette
from .fonts import REGULAR, SEMIBOLD, printable, register_fonts
from .marks import bar_mark, whisker
from .quantities import length_unit

WIDTH: Final = 340.0
HEIGHT: Final = 188.0
_LEFT, _RIGHT, _BOTTOM, _TOP = 42.0, 330.0, 30.0, 168.0
_TEXT: Final = 8.5
_BAND: dict[str, Any] = {"fillColor": palette.TOLERANCE, "strokeColor": None}
_DASHES: Final = (3, 2)
_MARGIN: Final = 1.12
_FARTHEST: Final = 3.0
"""Tolerances: a forecast that is uncertain beyond that is cut off, or it would press the measurements flat."""
_MM_PER_INCH: Final = 25.4
_TICK_STEPS: Final = (0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100)
_MOST_TICKS: Final = 7
_LONGEST_DAYS: Final = 3 * 365.25
"""Older measurements are in the table of heights."""


@dataclass(frozen=True, slots=True)
class DriftPoint:
    """A measurement: day, deviation from the target of then in mm, expanded uncertainty, verdict."""

    day: float
    deviation_mm: float
    expanded_uncertainty_mm: float
    verdict: str | None = None


@dataclass(frozen=True, slots=True)
class ForecastPoint:
    """Where the corner is expected on a day, mm, and half the width of the band that holds it with 95 %."""

    day: float
    deviation_mm: float
    expanded_uncertainty_mm: float


@dataclass(frozen=True, slots=True)
class DriftChart:
    """`points` and `forecast` in order of time; at least one point. `zone`: in which its days are."""

    title: str
    points: tuple[DriftPoint, ...]
    forecast: tuple[ForecastPoint, ...]
    tolerance_mm: float
    unit: LengthUnit = "mm"
    zone: tzinfo = UTC


@dataclass(frozen=True, slots=True)
class _Scale:
    """Days and mm to places on the sheet."""

    first_day: float
    last_day: float
    reach_mm: float

    def x(self, day: float) -> float:
        return _LEFT + (_RIGHT - _LEFT) * (day - self.first_day) / (self.last_day - self.first_day)

    def y(self, deviation_mm: float) -> float:
        kept = max(-self.reach_mm, min(self.reach_mm, deviation_mm))
        return (_BOTTOM + _TOP) / 2 + (_TOP - _BOTTOM) / 2 * kept / self.reach_mm


def draw_drift_chart(chart: DriftChart) -> Drawing:
    """The chart as a drawing of `WIDTH` by `HEIGHT` points; zero is the target."""
    register_fonts()
    drawing = Drawing(WIDTH, HEIGHT)
    heading = f"{chart.title}, {length_unit(chart.unit)}"
    drawing.add(_text(heading, 2, HEIGHT - 12, SEMIBOLD, 10.5, palette.INK))
    scale, points = _scale(chart), _shown(chart)
    for part in (_tolerance(chart, scale), _grid(scale, chart.unit), _days(scale, chart.zone), _forecast(chart, scale)):
        drawing.add(part)
    for point in points:
        x, y = scale.x(point.day), scale.y(point.deviation_mm)
        half = scale.y(point.deviation_mm + point.expanded_uncertainty_mm) - y
        drawing.add(Group(whisker(x, y, half), bar_mark(x, y, palette.verdict_look(point.verdict))))
    return drawing


def _shown(chart: DriftChart) -> list[DriftPoint]:
    newest = chart.points[-1].day
    return [point for point in chart.points if newest - point.day <= _LONGEST_DAYS]


def _scale(chart: DriftChart) -> _Scale:
    points = _shown(chart)
    days = [*(point.day for point in points), *(point.day for point in chart.forecast)]
    reached = [abs(point.deviation_mm) + point.expanded_uncertainty_mm for point in points]
    expected = [abs(point.deviation_mm) + point.expanded_uncertainty_mm for point in chart.forecast]
    farthest = max(*reached, chart.tolerance_mm, min(max(expected, default=0.0), _FARTHEST * chart.tolerance_mm))
    first, last = min(days), max(days)
    room = max((last - first) * 0.04, 1.0)
    return _Scale(first - room, last + room, _MARGIN * farthest)


def _text(text: str, x: float, y: float, font: str, size: float, colour: Any, anchor: Any = "start") -> String:
    return String(x, y, printable(text), fontName=font, fontSize=size, fillColor=colour, textAnchor=anchor)


def _tolerance(chart: DriftChart, scale: _Scale) -> Group:
    low, high = scale.y(-chart.tolerance_mm), scale.y(chart.tolerance_mm)
    group = Group(Rect(_LEFT, low, _RIGHT - _LEFT, high - low, **_BAND))
    for y in (low, high):
        group.add(Line(_LEFT, y, _RIGHT, y, strokeColor=palette.SOFT_INK, strokeWidth=0.8))
    return group


def _grid(scale: _Scale, unit: LengthUnit) -> Group:
    group = Group(Line(_LEFT, _BOTTOM, _LEFT, _TOP, strokeColor=palette.SOFT_INK, strokeWidth=0.7))
    per_unit = _MM_PER_INCH if unit == "inch" else 1.0
    reach = scale.reach_mm / per_unit
    step = next((step for step in _TICK_STEPS if 2 * reach / step <= _MOST_TICKS), _TICK_STEPS[-1])
    for number in range(math.ceil(-reach / step), math.floor(reach / step) + 1):
        deviation_mm = per_unit * step * number
        y = scale.y(deviation_mm)
        group.add(Line(_LEFT, y, _RIGHT, y, strokeColor=palette.RULE, strokeWidth=0.8 if number == 0 else 0.4))
        figure = length(deviation_mm, unit, signed=True).removesuffix(".0").removesuffix(",0")
        group.add(_text(figure, _LEFT - 5, y - 3, REGULAR, _TEXT, palette.SOFT_INK, "end"))
    return group


def _days(scale: _Scale, zone: tzinfo) -> Group:
    """The first, the middle and the last day."""
    group = Group(Line(_LEFT, _BOTTOM, _RIGHT, _BOTTOM, strokeColor=palette.SOFT_INK, strokeWidth=0.7))
    anchors: tuple[Any, ...] = ("start", "middle", "end")
    for share, anchor in zip((0.0, 0.5, 1.0), anchors, strict=True):
        day = scale.first_day + share * (scale.last_day - scale.first_day)
        words = day_in_words(time_of_day(day).astimezone(zone).date())
        group.add(_text(words, scale.x(day), _BOTTOM - 13, REGULAR, _TEXT, palette.SOFT_INK, anchor))
    return group


def _forecast(chart: DriftChart, scale: _Scale) -> Group:
    """The expected course as a broken line between two fine ones."""
    group = Group()
    if len(chart.forecast) < 2:
        return group
    for share, width in ((-1.0, 0.7), (0.0, 1.2), (1.0, 0.7)):
        points = [
            place
            for each in chart.forecast
            for place in (scale.x(each.day), scale.y(each.deviation_mm + share * each.expanded_uncertainty_mm))
        ]
        line = PolyLine(points, strokeColor=palette.BLUE, strokeWidth=width)
        if share == 0.0:
            line.strokeDashArray = _DASHES
        group.add(line)
    return group
