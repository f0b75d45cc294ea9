"""The responses of one axle over the vehicles of a model: each with its interval, between specification and model.

Vehicles stand side by side, the most recent first. The shaded band is what the specification says of most vehicles (two
of its standard deviations either way) about its broken line; the full line is the mean as it has been learned.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from reportlab.graphics.shapes import Drawing, Group, Line, Rect, String

from . import palette
from .fonts import REGULAR, SEMIBOLD, printable, register_fonts
from .marks import bar_mark, whisker
from .quantities import rounded

WIDTH: Final = 340.0
HEIGHT: Final = 190.0
MOST_SHOWN: Final = 22
DECIMALS: Final = 2
BAND_SDS: Final = 2.0
_LEFT, _RIGHT, _BOTTOM, _TOP = 42.0, 334.0, 30.0, 166.0
_TEXT: Final = 8.5
_COLUMN_MOST: Final = 40.0
_BAND: dict[str, Any] = {"fillColor": palette.TOLERANCE, "strokeColor": None}
_DASHES: Final = (3, 2)
_TICK_STEPS: Final = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100)
_MOST_TICKS: Final = 6
_REACH_SDS: Final = 4.0
"""What lies further from the specification is cut off at the edge: it was hardly moved and says little."""


@dataclass(frozen=True, slots=True)
class ResponsePoint:
    """One vehicle's response of the axle with its interval, mm per count."""

    name: str
    estimate: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class ResponseChart:
    """All in mm per count; `points` the most recent first."""

    title: str
    specified_mean: float
    specified_sd: float
    learned_mean: float
    learned_sd: float
    vehicles: int
    points: tuple[ResponsePoint, ...]


@dataclass(frozen=True, slots=True)
class _Scale:
    """Responses to places on the sheet; what lies outside is drawn at its edge."""

    low: float
    high: float

    def y(self, response: float) -> float:
        inside = min(max(response, self.low), self.high)
        return _BOTTOM + (_TOP - _BOTTOM) * (inside - self.low) / (self.high - self.low)


def describe(chart: ResponseChart) -> str:
    """The chart in words, for those who do not see it."""
    values = {
        "mean": rounded(chart.specified_mean, DECIMALS),
        "sd": rounded(chart.specified_sd, DECIMALS),
        "learned": rounded(chart.learned_mean, DECIMALS),
        "between": rounded(chart.learned_sd, DECIMALS),
        "count": chart.vehicles,
    }
    if not chart.vehicles:
        text = _("The specification says %(mean)s mm per count, standard deviation %(sd)s; no vehicle has taught it.")
        return text % values
    return (
        ngettext(
            "The specification says %(mean)s mm per count, standard deviation %(sd)s; with %(count)s vehicle the mean "
            "is %(learned)s, the standard deviation between vehicles %(between)s.",
            "The specification says %(mean)s mm per count, standard deviation %(sd)s; with %(count)s vehicles the mean "
            "is %(learned)s, the standard deviation between vehicles %(between)s.",
            chart.vehicles,
        )
        % values
    )


def draw_response_chart(chart: ResponseChart) -> Drawing:
    """The chart as a drawing of `WIDTH` by `HEIGHT` points."""
    register_fonts()
    drawing = Drawing(WIDTH, HEIGHT)
    title = _("%(axle)s, mm per count") % {"axle": chart.title}
    drawing.add(_text(title, 2, HEIGHT - 12, SEMIBOLD, 10.5, palette.INK))
    shown = chart.points[:MOST_SHOWN]
    scale = _scale(chart, shown)
    for part in (_specified(chart, scale), _grid(scale), _learned(chart, scale), *_vehicles(shown, scale)):
        drawing.add(part)
    return drawing


def _text(text: str, x: float, y: float, font: str, size: float, colour: Any, anchor: Any = "start") -> String:
    return String(x, y, printable(text), fontName=font, fontSize=size, fillColor=colour, textAnchor=anchor)


def _scale(chart: ResponseChart, shown: Sequence[ResponsePoint]) -> _Scale:
    """Over the specification's band and the vehicles, but no further than they can mean anything."""
    least = BAND_SDS * 1.25 * chart.specified_sd
    most = _REACH_SDS * chart.specified_sd
    reached = [end for point in shown for end in (point.low, point.high)]
    low = min([chart.specified_mean - least, *(max(end, chart.specified_mean - most) for end in reached)])
    high = max([chart.specified_mean + least, *(min(end, chart.specified_mean + most) for end in reached)])
    estimates = [chart.learned_mean, *(point.estimate for point in shown)]
    return _Scale(min(low, *estimates), max(high, *estimates))


def _specified(chart: ResponseChart, scale: _Scale) -> Group:
    low, high = (scale.y(chart.specified_mean + sds * chart.specified_sd) for sds in (-BAND_SDS, BAND_SDS))
    mean = scale.y(chart.specified_mean)
    line = Line(_LEFT, mean, _RIGHT, mean, strokeColor=palette.SOFT_INK, strokeWidth=0.9)
    line.strokeDashArray = _DASHES
    return Group(Rect(_LEFT, low, _RIGHT - _LEFT, high - low, **_BAND), line)


def _learned(chart: ResponseChart, scale: _Scale) -> Group:
    """The learned mean; without vehicles it is the specification's and is not drawn twice."""
    if not chart.vehicles:
        return Group()
    y = scale.y(chart.learned_mean)
    return Group(Line(_LEFT, y, _RIGHT, y, strokeColor=palette.BLUE, strokeWidth=1.4))


def _grid(scale: _Scale) -> Group:
    group = Group(Line(_LEFT, _BOTTOM, _LEFT, _TOP, strokeColor=palette.SOFT_INK, strokeWidth=0.7))
    for response in _ticks(scale):
        y = scale.y(response)
        group.add(Line(_LEFT, y, _RIGHT, y, strokeColor=palette.RULE, strokeWidth=0.4))
        group.add(_text(rounded(response, DECIMALS), _LEFT - 5, y - 3, REGULAR, _TEXT, palette.SOFT_INK, "end"))
    return group


def _ticks(scale: _Scale) -> list[float]:
    step = next((each for each in _TICK_STEPS if (scale.high - scale.low) / each <= _MOST_TICKS), _TICK_STEPS[-1])
    return [step * number for number in range(math.ceil(scale.low / step), math.floor(scale.high / step) + 1)]


def _vehicles(points: Sequence[ResponsePoint], scale: _Scale) -> list[Group]:
    """A mark with its whisker for each; a number below, by which the table beside it names the vehicle."""
    if not points:
        return []
    column = min(_COLUMN_MOST, (_RIGHT - _LEFT) / len(points))
    drawn = []
    for place, point in enumerate(points):
        x = _LEFT + (place + 0.5) * column
        low, high = scale.y(point.low), scale.y(point.high)
        number = _text(str(place + 1), x, 14.0, REGULAR, _TEXT, palette.SOFT_INK, "middle")
        mark = bar_mark(x, scale.y(point.estimate), palette.NOT_JUDGED)
        drawn.append(Group(whisker(x, (low + high) / 2, (high - low) / 2), mark, number))
    return drawn
